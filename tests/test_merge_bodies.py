"""The stage merge with the frames of two bodies whose truth is known."""

import astropy.units as u
import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from limbward.camera.reduce import reduce_frame
from limbward.config import Config, bind
from limbward.errors import ConfigError
from limbward.radiance.fits import read_picture
from limbward.regular import sha256
from limbward.stages import merge
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from tests.radiance.scene import Scene, Shot, radiance

pytestmark = pytest.mark.card

EXPOSURES = (1 / 500, 1 / 60, 1 / 8, 1.0)
LONG, SHORT = ("Aurelia L8", "AL8-1"), ("Borealis B-20", "0091733")
PLACES = [*(f"{d}_{p}" for d in ("sun", "moon") for p in ("x", "y", "radius")), "rotation_deg"]


class Listening(SilentReporter):
    def __init__(self):
        super().__init__()
        self.notes = []

    def note(self, text):
        self.notes.append(text)


def scenes():
    """Return two that show the same sky: the rays stay where they are when the camera turns."""
    more = {"black": 0.0, "white": 15000.0}
    return {
        LONG: Scene(480, 340, 80.0, up=20.0, turn=20.0, **more),
        SHORT: Scene(420, 300, 40.0, up=-52.0, turn=-52.0, mirrored=True, **more),
    }


def make_session(folder, frames=(2, 2), known=(True, True), darks=0, **options):
    """Write frames and the tables of earlier stages; return what a stage takes.

    ``darks`` is how many there are of each exposure of the first body.
    """
    (folder / "card").mkdir()
    workspace = Workspace(folder / "workspace")
    workspace.claim()
    workspace.path("reduced").mkdir(parents=True)
    rows, pointings = [], []
    for k, (body, scene) in enumerate(scenes().items()):
        rng = np.random.default_rng([31, k])  # a body's frames are the same without the other
        for b in range(frames[k]):
            for i, e in enumerate(EXPOSURES):
                x, y = scene.width / 2 + rng.uniform(-5, 5), scene.height / 2 + rng.uniform(-5, 5)
                # The other lens passes 1.4 times as much light.
                shot = Shot(e, 1.4 if k else 1.0, x, y, moon_dx=(b - 0.5) * scene.sun_radius / 20)
                frame = scene.frame(shot, rng)
                name = f"F{k}{b}{i}"
                hdu = fits.PrimaryHDU(frame.data)
                hdu.header["BAYERPAT"], hdu.header["SATURATE"] = "RGGB", scene.white
                hdu.writeto(folder / f"card/{name}.fits")
                reduced = reduce_frame(frame)
                np.savez(
                    workspace.path(f"reduced/{name}.npz"),
                    planes=reduced.planes,
                    factor=reduced.factor,
                )
                moon = scene.moon(shot)
                place = (x, y, scene.sun_radius, moon.x, moon.y, moon.radius, 0.0)
                rows.append(
                    {
                        "file": f"card/{name}.fits",
                        "sha256": sha256(folder / f"card/{name}.fits"),
                        "sequence": len(rows),
                        "camera": body[0],
                        "serial": body[1],
                        "exposure": e,
                        "iso": 100,
                        "f_number": 8.0,
                        "width": scene.width,
                        "height": scene.height,
                        "phase": "totality",
                        "reduced": f"reduced/{name}.npz",
                        "since_greatest_s": -40.0 + 40.0 * b + 2.0 * i,
                        "time_utc_sigma": 0.1,
                        "measured_sun_x": np.nan,
                        "measured_moon_x": moon.x,
                        "sun_sigma": 0.5,
                        "sun_sigma_relative": 0.3,
                        "usable": True,
                        **dict(zip(PLACES, place, strict=True)),
                    }
                )
        if known[k]:
            pointings.append(
                {
                    "camera": body[0],
                    "serial": body[1],
                    "pixel_scale_arcsec": scene.camera.pixel_scale_arcsec,
                    "up_position_angle": scene.up,
                    "mirrored": scene.mirrored,
                    "field_rotation_deg_per_hour": 0.0,
                }
            )
    rng = np.random.default_rng(7)
    for k in range(darks * len(EXPOSURES)):
        name, of = f"card/D{k}.fits", rows[k % len(EXPOSURES)]
        hdu = fits.PrimaryHDU(rng.poisson(9, (of["height"], of["width"])).astype(np.uint16))
        hdu.header["BAYERPAT"], hdu.header["SATURATE"] = "RGGB", 15000.0
        hdu.writeto(folder / name)
        rows.append(
            of | {"file": name, "sha256": sha256(folder / name), "phase": "dark", "usable": False}
        )
    table = Table(rows)
    measured = ("measured_sun_x", "measured_moon_x")
    for name in (*PLACES[:-1], *measured, "width", "height", "sun_sigma", "sun_sigma_relative"):
        table[name].unit = u.pix
    for name in ("exposure", "since_greatest_s", "time_utc_sigma"):
        table[name].unit = u.s
    table["rotation_deg"].unit = u.deg
    names = {
        "ingest": "file sha256 camera serial sequence exposure iso f_number width height phase "
        "reduced measured_sun_x measured_moon_x",
        "timing": "file phase since_greatest_s time_utc_sigma sun_x",
        "align": " ".join(["file", *PLACES, "usable", "sun_sigma", "sun_sigma_relative"]),
    }
    for stage, columns in names.items():
        workspace.write_table(Workspace.table(stage), table[columns.split()])
    workspace.write_json(Workspace.pointing, {"cameras": pointings})
    config = Config.model_validate(
        {
            "site": {"latitude": 65.0, "longitude": -23.4},
            "eclipse": "2026-08-12",
            "input": {"cards": ["card"]},
            "merge": options,
        }
    )
    return bind(config, folder, {}), workspace


def run(folder, **options):
    config, workspace = make_session(folder, **options)
    reporter = Listening()
    merge.STAGE.run(config, workspace, reporter)
    image, header, more = read_picture(workspace.path(Workspace.corona), ["SIGMA", "COUNT"])
    return workspace, reporter, image, header, more


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    return run(tmp_path_factory.mktemp("both"))


def truth(shape, header):
    """Return the corona as the long lens's camera has it, and solar radii."""
    y, x = np.indices(shape[1:], dtype=float)
    dx = x - (header["CRPIX1"] - 1.0)
    dy = y - (shape[1] - header["CRPIX2"])
    return radiance(dx, dy, 80.0, 20.0), np.hypot(dx, dy) / 80.0


def test_both_are_in_the_corona_and_the_field_is_that_of_both(both):
    workspace, reporter, image, header, more = both
    scene = scenes()[LONG]
    assert image.shape[1] > scene.height
    assert image.shape[2] > scene.width
    assert header["CDELT1"] == pytest.approx(scene.camera.pixel_scale_arcsec)
    assert header["NFRAMES"] == 16
    assert header["NBODIES"] == 2
    assert header["BODY2"] == " ".join(SHORT)
    assert header["CAMERA"] == LONG[0]
    assert more["SIGMA"].shape == image.shape
    assert np.asarray(workspace.read_table(Workspace.table("merge"))["used"]).all()
    said = " ".join(reporter.notes)
    assert "Aurelia L8 AL8-1 (8 frames), Borealis B-20 0091733 (8 frames)" in said
    assert "Aurelia L8 AL8-1 is the finest" in said
    assert not reporter.warnings


def test_it_is_the_truth_on_both_sides_of_the_seam(both):
    _, _, image, header, more = both
    true, rho = truth(image.shape, header)
    ratio = image / true
    first = (more["COUNT"] > 8) & (rho > 1.2)
    beyond = (more["COUNT"] == 8) & (rho > 2.0)
    assert first.sum() > 50_000
    assert beyond.sum() > 50_000
    level = [np.nanmedian(ratio[c][first]) for c in range(3)]
    for c in range(3):
        assert level[c] == pytest.approx(1.0, abs=0.05)  # the common scale is nominal
        assert np.nanmedian(ratio[c][beyond]) / level[c] == pytest.approx(1.0, abs=0.004)
        for sector in range(8):  # a mirrored or turned picture has its rays elsewhere
            y, x = np.indices(rho.shape)
            dx, dy = x - header["CRPIX1"] + 1, y - rho.shape[0] + header["CRPIX2"]
            here = (np.arctan2(dy, dx) // (np.pi / 4)).astype(int) == sector - 4
            for part in (first, beyond):
                there = part & here & (rho < 4.0)
                if there.sum() > 500:
                    assert np.nanmedian(ratio[c][there]) / level[c] == pytest.approx(1, abs=0.01)


def test_the_second_table_says_what_each_gave(both):
    workspace, *_ = both
    table = workspace.read_table(Workspace.table("bodies"))
    assert list(table["camera"]) == [LONG[0], SHORT[0]]
    assert list(table["frames"]) == [8, 8]
    assert list(table["mirrored"]) == [False, True]
    for colour in ("red", "green", "blue"):
        assert table[f"gain_{colour}"][1] * 1.4 == pytest.approx(1.0, abs=0.01)
    shares = workspace.read_table(Workspace.table("shares"))
    total = {}
    for row in shares:
        total[row["from"]] = total.get(row["from"], 0.0) + row["share"]
    assert all(v == pytest.approx(1.0, abs=0.02) for v in total.values() if v)
    far = shares[(shares["camera"] == LONG[0]) & (shares["from"] >= 4.0)]
    assert (far["share"] == 0.0).all()


@pytest.mark.parametrize("wanted", [LONG, SHORT])
def test_one_camera_is_what_it_was_with_no_other_on_the_card(tmp_path, wanted):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    frames = (2, 0) if wanted == LONG else (0, 2)
    workspaces = [run(tmp_path / "a", camera=wanted[0])[0], run(tmp_path / "b", frames=frames)[0]]
    first, second = (w.path(Workspace.corona).read_bytes() for w in workspaces)
    assert first == second
    assert not workspaces[0].path(Workspace.table("bodies")).exists()


def test_a_body_without_orientation_is_left_out_and_told(tmp_path):
    workspace, reporter, image, header, _ = run(tmp_path, known=(True, False))
    assert image.shape == (3, 340, 480)
    assert header["CAMERA"] == LONG[0]
    table = workspace.read_table(Workspace.table("merge"))
    np.testing.assert_array_equal(np.asarray(table["used"]), [True] * 8 + [False] * 8)
    assert "another camera" in table["note"][8]
    assert "orientation is not known" in table["note"][8]
    assert any("Borealis B-20 0091733 is not merged" in text for text in reporter.notes)


def test_few_frames_are_merged_only_if_named(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    *_, header, _ = run(tmp_path / "a", frames=(2, 1))
    assert "NBODIES" not in header
    *_, header, _ = run(tmp_path / "b", frames=(2, 1), cameras=["Aurelia L8", "0091733"])
    assert header["NBODIES"] == 2


def test_a_camera_that_is_not_there(tmp_path):
    config, workspace = make_session(tmp_path, cameras=["Aurelia L8", "Gamma"])
    with pytest.raises(ConfigError, match=r"merge\.cameras.*'Gamma'; there are Aurelia L8"):
        merge.STAGE.run(config, workspace, SilentReporter())


def test_the_picture_can_be_bounded(tmp_path):
    *_, image, header, _ = run(tmp_path, largest_megapixels=0.2)
    assert image.shape[1] * image.shape[2] < 0.22e6
    assert image.shape[1] >= 340
    assert image.shape[2] >= 480
    assert header["NBODIES"] == 2
