"""A small simulated card through the whole pipeline, against the simulation's truth."""

import json
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table
from PIL import Image

from limbward.config.loading import load_config
from limbward.runs.runner import run_stages
from limbward.simulate.card import simulate_card
from limbward.simulate.scenario import adapt, demo_scenario, shorten
from limbward.simulate.truth import true_corona
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.frames import FRAME_COLUMNS

pytestmark = pytest.mark.card

SEED = 5


def small_card():
    """Return the demo's session on a sensor a third as wide: 0.7 megapixels at 3 arcsec a pixel."""
    small = shorten(demo_scenario(0.7), partial_frames=12, brackets=2)
    small = adapt(small, instrument={"sensor_mm": (18.0, 12.0)}, plan={"darks": 2, "flats": 2})
    return adapt(small, camera={"focal_length_mm": 620.0}, mount={"centre_offset": (0.0, 0.0)})


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    folder = tmp_path_factory.mktemp("card")
    path = simulate_card(folder, small_card(), seed=SEED)
    config, workspace = load_config(path), Workspace(folder / "workspace")
    runs = run_stages(config, workspace, SilentReporter())
    truth = json.loads((folder / "truth.json").read_text())
    return config, workspace, truth, runs


@pytest.fixture(scope="module")
def rows(done):
    """Return pairs of a row of frames.ecsv and the truth of its frame."""
    _, workspace, truth, _ = done
    table = Table.read(workspace.path(Workspace.frames), format="ascii.ecsv")
    assert table.colnames == list(FRAME_COLUMNS)
    known = {frame["file"]: frame for frame in truth["frames"]}
    return [(row, known[row["file"]]) for row in table if row["file"] in known]


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_the_clock(done):
    _, workspace, truth, _ = done
    clock, true = workspace.read_json(Workspace.clock)["cameras"][0], truth["cameras"][0]
    assert (clock["camera"], clock["serial"]) == (true["camera"], true["serial"])
    assert clock["utc_offset_hours"] == true["utc_offset_hours"]
    assert clock["offset_s"] == pytest.approx(true["offset_s"], abs=1.0)
    assert clock["offset_s"] == pytest.approx(true["offset_s"], abs=4 * clock["offset_sigma_s"])
    drift = true["drift_s_per_hour"]
    assert clock["drift_s_per_hour"] == pytest.approx(
        drift, abs=4 * clock["drift_sigma_s_per_hour"]
    )


def test_the_pointing(done):
    _, workspace, truth, _ = done
    found, true = workspace.read_json(Workspace.pointing)["cameras"][0], truth["cameras"][0]
    assert found["pixel_scale_arcsec"] == pytest.approx(true["pixel_scale_arcsec"], rel=1e-3)
    assert found["up_position_angle"] == pytest.approx(true["up_position_angle"], abs=0.05)
    assert found["mirrored"] is False
    assert found["field_rotation_deg_per_hour"] == 0.0


def test_every_frame_is_on_utc(rows):
    late = []
    for row, true in rows:
        found, start = (
            datetime.fromisoformat(str(t).rstrip("Z")) for t in (row["time_utc"], true["time_utc"])
        )
        late.append((found - start).total_seconds())
    # A tag in whole seconds leaves half a second open.
    assert np.abs(late).max() < 1.2
    assert abs(np.median(late)) < 0.6


def test_phases(rows):
    for row, true in rows:
        if true["truncated"]:
            assert row["phase"] == "unreadable"
            assert row["note"]
        elif true["kind"] in ("partial", "totality", "dark", "flat"):
            assert row["phase"] == true["kind"], row["file"]


def test_sun_and_moon(rows):
    """Half a pixel is asked of frames of totality; the limb and the corona do much better."""
    for kind, bar in (("totality", 0.2), ("partial", 0.2)):
        here = [(r, t) for r, t in rows if t["kind"] == kind and not t["truncated"]]
        for body in ("sun", "moon"):
            x = [r[f"{body}_x"] - t[f"{body}_x"] for r, t in here]
            y = [r[f"{body}_y"] - t[f"{body}_y"] for r, t in here]
            assert max(rms(x), rms(y)) < bar, (kind, body)
            radius = [r[f"{body}_radius"] / t[f"{body}_radius"] - 1 for r, t in here]
            assert np.abs(radius).max() < 3e-3


def test_what_was_merged(done, rows):
    contacts = done[2]["contacts"]
    used = [t["time_utc"] for r, t in rows if r["used"]]
    assert len(used) >= 12
    # While the photosphere was covered; ISO times sort as text.
    assert contacts["C2"]["utc"] < min(used)
    assert max(used) < contacts["C3"]["utc"]
    assert all(r["note"] for r, _ in rows if not r["used"])


def test_the_corona(done):
    _, workspace, truth, _ = done
    camera = truth["cameras"][0]
    with fits.open(workspace.path(Workspace.corona)) as hdus:
        header, corona = hdus[0].header, hdus[0].data[:, ::-1].astype(float)
        sigma, count = hdus["SIGMA"].data, hdus["COUNT"].data
    assert sigma.shape == corona.shape
    assert count.max() >= 6
    x, y = header["CRPIX1"] - 1.0, corona.shape[1] - header["CRPIX2"]
    radius = header["RSUN_OBS"] / camera["pixel_scale_arcsec"]
    white = true_corona(
        SEED,
        corona.shape[1:],
        sun_x=x,
        sun_y=y,
        sun_radius_px=radius,
        up_from_solar_north=header["UPPA"] - header["SOLARPA"],
    )
    rows, cols = np.indices(corona.shape[1:])
    rho = np.hypot(cols - x, rows - y) / radius
    ratio = corona[1] / white[1]
    inner = np.isfinite(ratio) & (rho > 1.1) & (rho < 1.6)
    unit = float(np.median(ratio[inner]))
    # The sky adds to the faint outer corona; inside 2 radii it is under 3 %.
    for low in np.arange(1.1, 1.9, 0.1):
        ring = np.isfinite(ratio) & (rho >= low) & (rho < low + 0.1)
        assert np.median(ratio[ring]) / unit == pytest.approx(1.0, abs=0.03)
    # Streamers lie where they are: the structure correlates ring by ring.
    ring = np.isfinite(ratio) & (rho > 1.3) & (rho < 1.7)
    assert np.corrcoef(np.log(corona[1][ring]), np.log(white[1][ring]))[0, 1] > 0.99


def test_pictures_and_report(done):
    _, workspace, _, _ = done
    picture = np.asarray(Image.open(workspace.path(Workspace.composite_png)).convert("L"))
    middle = picture[picture.shape[0] // 2 - 20 :, picture.shape[1] // 2 - 20 :][:40, :40]
    assert middle.mean() < 40
    assert picture.max() > 180
    assert "Content-Security-Policy" in workspace.path(Workspace.report).read_text()


def test_a_second_run_has_nothing_to_do(done):
    config, workspace, _, runs = done
    assert not any(run.skipped for run in runs)
    before = {p: p.stat().st_mtime_ns for p in workspace.root.rglob("*.fits")}
    again = run_stages(config, workspace, SilentReporter())
    assert all(run.skipped for run in again)
    assert before == {p: p.stat().st_mtime_ns for p in workspace.root.rglob("*.fits")}


def test_the_demo_by_its_console_script(tmp_path):
    script = Path(sys.executable).with_name("limbward")
    assert script.exists()
    done = subprocess.run(
        [script, "demo", "show", "--megapixels", "0.1"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lines = dict(line.split(": ", 1) for line in done.stdout.splitlines() if ": " in line)
    for name in ("composite", "report"):
        assert (tmp_path / lines[name]).stat().st_size > 10_000
    assert "slow" in lines["clock"]


def test_a_cluster_gives_the_same_bytes(undisturbed, tmp_path):
    """Two processes of a Dask cluster in place of the run's own."""
    distributed = pytest.importorskip("distributed")
    path, reference = undisturbed
    config, workspace = load_config(path), Workspace(reference)
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        run = config.run.model_copy(
            update={"executor": "dask", "scheduler": cluster.scheduler_address}
        )
        other = Workspace(tmp_path / "workspace")
        run_stages(config.model_copy(update={"run": run}), other, SilentReporter(), last="merge")
    for artefact in ("corona.fits", "clock.json", "pointing.json", "tables/align.ecsv"):
        ours, theirs = workspace.path(artefact), other.path(artefact)
        assert ours.read_bytes() == theirs.read_bytes(), artefact


def test_the_corona_follows_the_published_law(done):
    """Mean brightness by distance, once scaled and with a constant sky, within 2 %.

    S. Baumbach, Astron. Nachr. 263 (1937) 121, as tabulated in *Allen's Astrophysical Quantities*,
    in units of the mean solar disc; written out here.
    """
    _, workspace, _, _ = done
    with fits.open(workspace.path(Workspace.corona)) as hdus:
        header, image = hdus[0].header, hdus[0].data
        y, x = np.indices(image.shape[1:])
        rho = np.hypot(x + 1 - header["CRPIX1"], y + 1 - header["CRPIX2"])
        rho *= abs(header["CDELT2"]) / header["RSUN_OBS"]
        law = 1e-6 * (0.0532 * rho**-2.5 + 1.425 * rho**-7 + 2.565 * rho**-17)
        for colour in image:
            rings = [(rho >= a) & (rho < a + 0.05) for a in np.arange(1.1, 2.9, 0.05)]
            whole = [ring for ring in rings if np.isfinite(colour[ring]).all()]
            assert len(whole) > 15
            seen = np.array([colour[ring].mean() for ring in whole])
            true = np.array([law[ring].mean() for ring in whole])
            design = np.column_stack([true, np.ones_like(true)]) / seen[:, None]
            fitted = design @ np.linalg.lstsq(design, np.ones_like(seen), rcond=None)[0]
            np.testing.assert_allclose(fitted, 1.0, atol=0.02)
