"""The stages merge, enhance and compose on frames whose truth is known."""

from types import SimpleNamespace

import astropy.units as u
import numpy as np
import pytest
import tifffile
from astropy.io import fits
from astropy.table import MaskedColumn, Table
from astropy.wcs import WCS
from PIL import Image

from limbward.camera.reduce import reduce_frame
from limbward.config import Config, bind
from limbward.errors import ConfigError, LimbwardError
from limbward.radiance import bands
from limbward.radiance.fits import read_picture
from limbward.regular import sha256
from limbward.stages import compose, enhance, merge, merge_one
from limbward.work.decoding import Shelf
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from tests.radiance.scene import Scene, Shot

pytestmark = pytest.mark.card

EXPOSURES = (1 / 500, 1 / 60, 1 / 8, 1.0)
CAMERA, SERIAL = "Aurelia L8", "AL8-1"


def make_session(folder, *, mirrored=False, **merge_options):
    """Write frames, the tables of earlier stages and a config; return what a stage takes."""
    scene = Scene(900, 640, 110.0, up=20.0, mirrored=mirrored, black=0.0, white=15000.0)
    rng = np.random.default_rng(31)
    (folder / "card").mkdir()
    workspace = Workspace(folder / "workspace")
    workspace.claim()
    workspace.path("reduced").mkdir(parents=True)
    rows = []
    for b in range(2):
        for k, e in enumerate(EXPOSURES):
            shot = Shot(
                e,
                float(np.exp(rng.normal(0, 0.03))),
                450 + rng.uniform(-8, 8),
                320 + rng.uniform(-8, 8),
                moon_dx=-4.0 + 8.0 * b,
                rotation_deg=0.3 * b,
            )
            frame = scene.frame(shot, rng)
            file = f"card/F{b}{k}.fits"
            hdu = fits.PrimaryHDU(frame.data)
            hdu.header["BAYERPAT"], hdu.header["SATURATE"] = "RGGB", scene.white
            hdu.writeto(folder / file)
            reduced = reduce_frame(frame)
            np.savez(
                workspace.path(f"reduced/F{b}{k}.npz"),
                planes=reduced.planes,
                factor=reduced.factor,
            )
            moon = scene.moon(shot)
            rows.append(
                {
                    "file": file,
                    "sha256": sha256(folder / file),
                    "sequence": len(rows),
                    "camera": CAMERA,
                    "serial": SERIAL,
                    "exposure": e,
                    "iso": 100,
                    "f_number": 8.0,
                    "width": 900,
                    "height": 640,
                    "phase": "totality",
                    "reduced": f"reduced/F{b}{k}.npz",
                    "since_greatest_s": -40.0 + 40.0 * b + 2.0 * k,
                    "time_utc_sigma": 0.1,
                    "measured_sun_x": np.nan,
                    "measured_moon_x": moon.x,
                    "sun_x": shot.sun_x,
                    "sun_y": shot.sun_y,
                    "sun_radius": scene.sun_radius,
                    "moon_x": moon.x,
                    "moon_y": moon.y,
                    "moon_radius": moon.radius,
                    "rotation_deg": shot.rotation_deg,
                    "sun_sigma": 0.5,
                    "sun_sigma_relative": 0.3,
                    "usable": True,
                    "factor": shot.factor,
                }
            )
    rows.append(rows[0] | {"file": "card/missing.fits"})
    rows.append(rows[0] | {"file": "card/other.fits", "camera": "Borealis B-20", "serial": "9"})
    rows.append(rows[0] | {"file": "card/partial.fits", "phase": "partial", "usable": False})
    table = Table(rows)
    for column in table.colnames:
        place = column.split("_")[-1] in ("x", "y", "radius")
        if place or column in ("width", "height"):
            table[column].unit = u.pix
    for column, unit in (("exposure", u.s), ("since_greatest_s", u.s), ("time_utc_sigma", u.s)):
        table[column].unit = unit
    for column in ("sun_sigma", "sun_sigma_relative"):
        table[column].unit = u.pix
    table["rotation_deg"].unit = u.deg
    names = {
        "ingest": "file sha256 camera serial sequence exposure iso f_number width height phase "
        "reduced measured_sun_x measured_moon_x",
        "timing": "file phase since_greatest_s time_utc_sigma sun_x",
        "align": "file sun_x sun_y sun_radius moon_x moon_y moon_radius rotation_deg usable "
        "sun_sigma sun_sigma_relative",
    }
    for stage, columns in names.items():
        workspace.write_table(Workspace.table(stage), table[columns.split()])
    pointing = {
        "camera": CAMERA,
        "serial": SERIAL,
        "pixel_scale_arcsec": scene.camera.pixel_scale_arcsec,
        "up_position_angle": scene.up,
        "mirrored": mirrored,
        "field_rotation_deg_per_hour": 0.0,
    }
    workspace.write_json(Workspace.pointing, {"cameras": [pointing]})
    config = Config.model_validate(
        {
            "site": {"latitude": 65.0, "longitude": -23.4},
            "eclipse": "2026-08-12",
            "input": {"cards": ["card"]},
            "merge": merge_options,
        }
    )
    return bind(config, folder, {}), workspace, scene, np.array(table["factor"][:8])


@pytest.fixture(scope="module", params=[False, True], ids=["straight", "mirrored"])
def session(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("session")
    config, workspace, scene, factor = make_session(folder, mirrored=request.param)
    reporter = SilentReporter()
    for stage in (merge, enhance, compose):
        stage.STAGE.run(config, workspace, reporter)
    return config, workspace, scene, factor


def test_table_says_what_was_used_and_why_not(session):
    _, workspace, _, factor = session
    table = workspace.read_table(Workspace.table("merge"))
    used = np.asarray(table["used"])
    np.testing.assert_array_equal(used, [True] * 8 + [False] * 3)
    ratio = np.asarray(table["relative_exposure"][:8]) / factor
    np.testing.assert_allclose(ratio / np.exp(np.log(ratio).mean()), 1.0, atol=0.005)
    note = MaskedColumn(table["note"]).filled("")
    assert "missing.fits cannot be read" in note[8]
    assert "the merge uses another camera" in note[9]
    assert note[0] == ""


def test_corona_is_the_truth(session):
    _, workspace, scene, _ = session
    image, header, more = read_picture(workspace.path(Workspace.corona), ["SIGMA", "COUNT"])
    assert image.shape == (3, 640, 900)
    assert more["SIGMA"].shape == image.shape
    assert more["COUNT"].shape == image.shape[1:]
    assert header["NFRAMES"] == 8
    ratio = image / scene.truth()
    rho = scene.rho()
    ring = (rho > 1.15) & (rho < 2.5)
    for c in range(3):
        middle = np.nanmedian(ratio[c][ring])
        assert middle == pytest.approx(1.0, abs=0.05)  # the common scale is nominal
        for inner in np.arange(1.15, 2.5, 0.1):
            part = (rho >= inner) & (rho < inner + 0.1)
            assert np.nanmedian(ratio[c][part]) / middle == pytest.approx(1.0, abs=0.005)


def test_corona_header_is_that_of_a_solar_picture(session):
    _, workspace, scene, _ = session
    with fits.open(workspace.path(Workspace.corona)) as hdus:
        header = hdus[0].header
        assert [h.name for h in hdus[1:4]] == ["SIGMA", "COUNT", "MOON"]
        assert header["CTYPE1"] == "HPLN-TAN"
        assert header["CTYPE2"] == "HPLT-TAN"
        # P and B0 on 2026-08-12: 15.2 and 6.5 degrees (sunpy 7 gives 15.18 and 6.51).
        assert header["SOLARPA"] == pytest.approx(15.18, abs=0.05)
        assert header["HGLT_OBS"] == pytest.approx(6.51, abs=0.02)
        assert header["DATE-OBS"] < header["DATE-AVG"] < header["DATE-END"]
        assert header["INSTRUME"] == CAMERA
        assert header["XPOSURE"] == pytest.approx(2 * sum(EXPOSURES))
        wcs = WCS(header, naxis=2)
    x, y = wcs.wcs_world2pix(0.0, 900.0 / 3600.0, 0)
    angle = np.degrees(np.arctan2(-(x - 449.5), y - 319.5))
    assert angle == pytest.approx(header["SOLARPA"] - scene.up, abs=0.1)


def test_enhancement_and_composite_are_written(session):
    _, workspace, _, _ = session
    for name in Workspace.enhanced("nrgf"):
        assert workspace.path(name).stat().st_size > 1000
    filtered, header, _ = read_picture(workspace.path("enhanced/nrgf.fits"))
    assert header["CTYPE1"] == "HPLN-TAN"
    # Where whole annuli are seen each has a deviation of 1.
    rows, cols = np.indices(filtered.shape[-2:])
    x, y = header["CRPIX1"] - 1.0, filtered.shape[-2] - header["CRPIX2"]
    whole = np.hypot(cols - x, rows - y) < 0.45 * min(filtered.shape[-2:])
    assert np.nanstd(filtered[..., whole]) == pytest.approx(1.0, abs=0.05)
    picture = tifffile.imread(workspace.path(Workspace.composite_tif))
    assert picture.dtype == np.uint16
    with Image.open(workspace.path(Workspace.composite_png)) as image:
        assert image.size == picture.shape[1::-1]
    height, width = picture.shape[:2]
    middle = picture[height // 2 - 50 : height // 2 + 50, width // 2 - 50 : width // 2 + 50]
    # The Moon in earthshine: far darker than the corona, and not black.
    assert middle.max() < 0.2 * 65535
    assert np.median(picture[: height // 8]) < np.percentile(picture, 99.5)


def test_another_run_makes_the_same_corona(session):
    config, workspace, _, _ = session
    before, _, _ = read_picture(workspace.path(Workspace.corona))
    merge.STAGE.run(config, workspace, SilentReporter())
    after, _, _ = read_picture(workspace.path(Workspace.corona))
    np.testing.assert_array_equal(before, after)


@pytest.mark.parametrize("room", [True, False], ids=["decoded-once", "for-each-band"])
def test_little_memory_makes_the_same_corona_in_bands(session, monkeypatch, room):
    config, workspace, *_ = session
    before, header, others = read_picture(workspace.path(Workspace.corona), ["SIGMA", "COUNT"])
    monkeypatch.setattr(bands, "BASE_BYTES", 1e15)
    said, shelves = [], []
    reporter = SilentReporter()
    monkeypatch.setattr(reporter, "note", said.append)
    if not room:
        monkeypatch.setattr(merge_one, "disk_usage", lambda _: SimpleNamespace(free=0))
    monkeypatch.setattr(merge_one, "Shelf", lambda *a: shelves.append(a) or Shelf(*a))
    merge.run(config, workspace, reporter)
    assert any("in 12 bands" in sentence for sentence in said) != room
    assert len(shelves) == room
    after, again, theirs = read_picture(workspace.path(Workspace.corona), ["SIGMA", "COUNT"])
    np.testing.assert_array_equal(after, before)
    for name in ("SIGMA", "COUNT"):
        np.testing.assert_array_equal(theirs[name], others[name])
    assert again["NFRAMES"] == header["NFRAMES"]


def test_size_of_the_result(tmp_path):
    config, workspace, _, _ = make_session(tmp_path, size=500)
    merge.STAGE.run(config, workspace, SilentReporter())
    image, _, _ = read_picture(workspace.path(Workspace.corona))
    assert image.shape == (3, 500, 500)


def test_a_camera_that_is_not_there(tmp_path):
    config, workspace, _, _ = make_session(tmp_path, camera="Gamma")
    with pytest.raises(ConfigError, match=r"merge\.camera.*'Gamma'; there are Aurelia L8"):
        merge.STAGE.run(config, workspace, SilentReporter())


@pytest.mark.parametrize("linear", [True, False])
def test_a_corona_of_display_referred_frames_says_that_it_is_no_measurement(tmp_path, linear):
    config, workspace, *_ = make_session(tmp_path, size=200)
    table = workspace.read_table(Workspace.table("ingest"))
    table["linear"] = linear
    workspace.write_table(Workspace.table("ingest"), table)
    reporter = SilentReporter()
    merge.STAGE.run(config, workspace, reporter)
    header = fits.getheader(workspace.path(Workspace.corona))
    assert header["LINEAR"] is linear
    assert header.comments["LINEAR"].endswith("measurement")  # not cut off
    assert ("not a measurement" in str(header.get("HISTORY", ""))) is not linear
    assert any("not a measurement" in said for said in reporter.warnings) is not linear


def test_without_totality_there_is_no_corona_and_no_failure(tmp_path):
    config, workspace, _, _ = make_session(tmp_path)
    align = workspace.read_table(Workspace.table("align"))
    align["usable"] = False
    workspace.write_table(Workspace.table("align"), align)
    reporter = SilentReporter()
    for stage in (merge, enhance, compose):
        stage.STAGE.run(config, workspace, reporter)
    assert not workspace.path(Workspace.corona).exists()
    assert "no corona" in reporter.warnings[0]
    assert not np.asarray(workspace.read_table(Workspace.table("merge"))["used"]).any()


def test_a_card_that_is_gone_is_said(tmp_path):
    config, workspace, _, _ = make_session(tmp_path)
    for file in (tmp_path / "card").iterdir():
        file.unlink()
    with pytest.raises(LimbwardError, match="is the card still connected"):
        merge.STAGE.run(config, workspace, SilentReporter())


def test_without_north_the_corona_is_merged_as_the_camera_stood(tmp_path):
    config, workspace, scene, _ = make_session(tmp_path, size=None)
    workspace.write_json(Workspace.pointing, {"cameras": []})
    merge.run(config, workspace, SilentReporter())
    picture, header, more = read_picture(workspace.path(Workspace.corona), ["SIGMA"])
    assert header["NORTHKN"] is False
    assert "North is not known" in str(header["HISTORY"])
    # The Sun's size tells the scale; what all Suns may be off by is what the total has more.
    scale = scene.camera.pixel_scale_arcsec
    assert header["CDELT1"] == pytest.approx(header["RSUN_OBS"] / scene.sun_radius)
    assert header["CSYER1"] == pytest.approx(0.4 * header["CDELT1"], rel=1e-6)
    assert header["CDELT1"] == pytest.approx(scale, rel=0.05)
    np.testing.assert_allclose(WCS(header).celestial.wcs.get_pc(), np.eye(2), atol=1e-12)
    assert header["MOONX"] == header["CRPIX1"]
    # The picture is not turned: brightest beyond the Moon where the frames are.
    assert np.isfinite(picture).mean() > 0.5
    assert (more["SIGMA"][np.isfinite(more["SIGMA"])] > 0).all()
    enhance.run(config, workspace, SilentReporter())
    compose.run(config, workspace, SilentReporter())
    text = Image.open(workspace.path(Workspace.composite_png)).text
    assert any("north is not known" in str(v) for v in text.values())
