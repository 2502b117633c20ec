"""The second simulator against the outside world, and its freedom from the product's code."""

from __future__ import annotations

import json
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import rawpy
import tifffile
from astropy.io import fits
from astropy.table import Table
from PIL import Image

from . import files, score
from .card import simulate
from .cases import CASES
from .clock import Clock
from .corona import Corona, MoonLimb
from .ephemeris import Site
from .optics import Optics, aureole_kernel, core_kernel, enlarge, spread
from .pose import Camera, Mount, view
from .scene import Scene
from .sensor import Sensor

HERE = Path(__file__).parent
PLACE = Site(43.2, -4.1, 300.0, "2026-08-12")


def test_nothing_of_the_product_is_imported() -> None:
    pattern = re.compile(r"^\s*(from|import)\s+(limbward|tests\.(?!apart))", re.MULTILINE)
    modules = sorted(HERE.glob("*.py"))
    assert len(modules) > 12
    assert not [m.name for m in modules if pattern.search(m.read_text())]


def test_kernels_keep_the_light_and_their_shape() -> None:
    core = core_kernel(1.2, 0.5, 2.0, (3.0, 1.0))
    assert core.min() >= 0
    assert core.sum() == pytest.approx(1, abs=1e-5)
    wings = aureole_kernel(Optics(aureole_reach=60.0), 4.0)
    assert wings.sum() == pytest.approx(1, abs=1e-5)
    point = np.zeros((80, 90), np.float32)
    point[40, 50] = 1
    moved = spread(point, core)
    y, x = np.mgrid[0:80, 0:90]
    assert (moved * x).sum() == pytest.approx(50, abs=1e-3)
    assert (moved * y).sum() == pytest.approx(40, abs=1e-3)
    ramp = np.arange(20.0)[None, :] * 4 + 1.5 + np.zeros((20, 1))
    assert np.allclose(enlarge(ramp, (80, 80), (0, 0))[40, 8:70], np.arange(8, 70), atol=1e-4)


def test_relief_neither_moves_nor_swells_the_moon() -> None:
    moon = MoonLimb(0.6, 4, 0.0)
    angle = np.linspace(0, 2 * np.pi, 4096, endpoint=False)
    height = moon.height(angle)
    assert height.std() == pytest.approx(0.6, rel=0.01)
    for wave in (np.ones(4096), np.cos(angle), np.sin(angle)):
        assert abs((height * wave).mean()) < 1e-3


def test_centroid_of_a_full_sun_is_its_centre() -> None:
    camera = Camera(600, 400, 0.06, 800.0)
    mount = Mount(PLACE, "equatorial", 50000.0, roll=1.0, off=(2e-3, 1e-3))
    now = view(camera, mount, 50000.0)
    scene = Scene(Corona(1), MoonLimb(0, 1, 0), 0.0)
    plane = scene.planes(now, np.arange(600), np.arange(400), (1,))[0]
    y, x = np.mgrid[0:400, 0:600]
    lit = plane > 0.2
    assert x[lit].mean() == pytest.approx(now.sun[0], abs=0.05)
    assert y[lit].mean() == pytest.approx(now.sun[1], abs=0.05)
    cover = np.clip(plane / 0.3, 0, 1).sum()  # the limb is 0.3 of the mean disc or more
    assert np.sqrt(cover / np.pi) == pytest.approx(now.sun_arcsec / now.scale, abs=0.3)


def test_photons_have_their_noise() -> None:
    sensor = Sensor(1, (200, 200), uneven=0, hot=0, read_noise=0, dark_current=0)
    planes = [np.full((200, 200), 1e-6, np.float32)] * 3
    shots = [
        sensor.raw(planes, 1 / 400, 100, 8.0, np.random.default_rng(k), sensor.fixed())
        for k in (1, 2)
    ]
    green = [s[0::2, 1::2].astype(float) - 512 for s in shots]
    gain = sensor.full_well / (sensor.white - 512)  # electrons an ADU
    assert green[0].mean() * gain == pytest.approx(0.55 * 0.1 * 640 / 400 * 45000, rel=0.01)
    noise = np.std(green[0] - green[1]) / np.sqrt(2)
    assert noise**2 == pytest.approx(green[0].mean() / gain, rel=0.05)


TAGS = files.Tags(
    "Velora", "VX 40", "VE1", "2026:08:12 18:01:02", "37", "+02:00", 1 / 250, 200, 8.0, 812.0
)


@pytest.mark.parametrize("border", [(0, 0), (8, 16)])
def test_libraw_reads_the_numbers_that_were_written(tmp_path, border) -> None:
    sensor = Sensor(1, (96, 144), black=(498, 512, 527, 509))
    raw = np.random.default_rng(0).integers(500, 15000, (96, 144)).astype(np.uint16)
    files.dng(tmp_path / "a.dng", raw, sensor, TAGS, border)
    with rawpy.imread(str(tmp_path / "a.dng")) as picture:
        assert np.array_equal(picture.raw_image_visible, raw)
        assert picture.white_level == sensor.white
        colours = picture.raw_colors_visible[:2, :2].ravel()
        names = [picture.color_desc.decode()[c] for c in colours]
        assert names == ["R", "G", "G", "B"]
        black = [picture.black_level_per_channel[c] for c in colours]
        assert black == list(sensor.black)


def test_exif_is_read_by_others(tmp_path) -> None:
    import exifread

    sensor = Sensor(1, (96, 144))
    files.dng(tmp_path / "a.dng", np.full((96, 144), 600, np.uint16), sensor, TAGS)
    files.jpeg(tmp_path / "a.jpg", np.full((32, 48, 3), 0.2), TAGS)
    files.tiff(tmp_path / "a.tif", np.full((32, 48, 3), 0.2), TAGS, 16, False)
    for name in ("a.dng", "a.jpg", "a.tif"):
        with (tmp_path / name).open("rb") as file:
            found = {k: str(v) for k, v in exifread.process_file(file).items()}
        assert found["EXIF DateTimeOriginal"] == TAGS.when
        assert found["EXIF SubSecTimeOriginal"] == "37"
        assert found["EXIF OffsetTimeOriginal"] == "+02:00"
        assert found["EXIF ExposureTime"] == "1/250"
        assert found["EXIF ISOSpeedRatings"] == "200"
        assert found["EXIF BodySerialNumber"] == "VE1"
        assert found["Image Model"] == "VX 40"
    assert tifffile.imread(tmp_path / "a.tif")[5, 5, 0] == round(0.2 * 65535)
    assert Image.open(tmp_path / "a.jpg").size == (48, 32)
    files.fits_file(tmp_path / "a.fits", np.full((32, 48, 3), 0.2), TAGS)
    assert fits.getdata(tmp_path / "a.fits").shape == (3, 32, 48)


def test_clocks() -> None:
    clock = Clock("2026-08-12", 2, 58.0, 3.0, 64800.0, [(66000.0, -30.0)], 2)
    assert clock.tags(64800.0) == ("2026:08:12 20:00:58", "00")
    assert clock.tags(68400.0) == ("2026:08:12 21:00:31", "00")
    assert clock.error(68400.0) == pytest.approx(58 + 3 - 30)
    assert Clock("2026-08-12", 2, half_day=True).tags(64800.0)[0] == "2026:08:12 08:00:00"
    assert Clock("2026-08-12", 7).tags(64800.5)[0] == "2026:08:13 01:00:00"
    assert Clock("2026-08-12", years=-2).tags(64800.0)[0].startswith("2024:08:12")


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("apart")
    simulate(
        "usual", folder, 0.05, 3, totality_frames=4, partial_minutes=25, darks=0, flats=1, wide=1,
        trailed=0.0,
    )  # fmt: skip
    return folder


def test_a_card_is_what_its_truth_says(small) -> None:
    truth = json.loads((small / "truth.json").read_text())
    assert {r["phase"] for r in truth["frames"]} == {
        "partial", "contact", "totality", "flat", "other"
    }  # fmt: skip
    on_card = {str(p.relative_to(small)) for p in (small / "card").rglob("*.DNG")}
    assert {r["file"] for r in truth["frames"]} == on_card
    full = min((r for r in truth["frames"] if r["phase"] == "partial"), key=lambda r: r["mid_utc"])
    with rawpy.imread(str(small / full["file"])) as picture:
        green = picture.raw_image_visible[0::2, 1::2].astype(float)
    lit = green > 0.3 * np.quantile(green, 0.99)
    y, x = np.nonzero(lit)
    assert full["mid_utc"] < truth["contacts_smooth_utc"]["C1"]
    assert 2 * x.mean() + 1 == pytest.approx(full["sun_x"], abs=0.15)
    assert 2 * y.mean() == pytest.approx(full["sun_y"], abs=0.15)


def test_a_perfect_workspace_scores_perfectly(small, tmp_path) -> None:
    truth = json.loads((small / "truth.json").read_text())
    rows = truth["frames"]
    table = Table(
        {
            "file": [r["file"] for r in rows],
            "camera": [truth["cameras"][0]["model"]] * len(rows),
            "serial": [truth["cameras"][0]["serial"]] * len(rows),
            "time_utc": [r["start_utc"] for r in rows],
            "time_utc_sigma": [0.3] * len(rows),
            "phase": [r["phase"] for r in rows],
            "used": [r["good"] for r in rows],
            **{k: [r.get(k, np.nan) for r in rows] for k in ("sun_x", "sun_y", "moon_x", "moon_y")},
        }
    )
    table["sun_x"] += 0.25
    table.write(tmp_path / "frames.ecsv")
    camera = truth["cameras"][0]
    clock = camera["clock"]
    (tmp_path / "clock.json").write_text(json.dumps({"cameras": [{
        "camera": camera["model"], "serial": camera["serial"],
        "utc_offset_hours": clock["zone_hours"], "offset_s": clock["offset_s"] + 0.5,
        "offset_sigma_s": 0.25, "drift_s_per_hour": clock["drift_s_per_hour"],
        "drift_sigma_s_per_hour": 0.1, "epoch_utc": truth["contacts_smooth_utc"]["greatest"],
    }]}))  # fmt: skip
    (tmp_path / "pointing.json").write_text(json.dumps({"cameras": [{
        "camera": camera["model"], "serial": camera["serial"], "mirrored": False,
        "pixel_scale_arcsec": camera["scale_arcsec"] * 1.01,
        "up_position_angle": camera["up_position_angle"] - 0.5,
    }]}))  # fmt: skip
    found = score.score(small, tmp_path)
    assert found["good_used"] == 1
    assert found["bad_used_frames"] == 0
    assert found["registration_px"]["max"] == pytest.approx(0.25, abs=1e-6)
    assert found["registration_relative_px"]["max"] == pytest.approx(0, abs=1e-6)
    assert found["time"]["max_s"] == pytest.approx(0, abs=1e-3)
    assert found["clock"][0]["error_sigmas"] == pytest.approx(2, abs=0.02)
    assert found["pointing"][0]["scale_error_percent"] == pytest.approx(1, abs=1e-4)
    assert found["pointing"][0]["up_error_deg"] == pytest.approx(-0.5, abs=1e-4)
    assert all(set(row) == {true} for true, row in found["phases"].items())


def test_a_clock_set_where_no_frame_shows_it_is_no_error_of_the_clock() -> None:
    """Set by 30 s between the frames before and after greatest eclipse, gaining 36 s an hour."""
    rows = [
        {"camera": 0, "phase": "totality", "start_utc": f"2026-08-12T17:{at}", "clock_error_s": off}
        for at, off in (("44:00", 6.6), ("45:40", 37.6), ("43:20", 6.2), ("50:00", 70.2))
    ]
    clock = {"clock": {"drift_s_per_hour": 36.0}, "clock_error_at_greatest_s": 7.0}
    session = SimpleNamespace(truth={"frames": rows, "cameras": [clock]})
    greatest = score.seconds("2026-08-12T17:45:00.000Z")
    assert score.clock_errors(session, 0, greatest) == pytest.approx([7.2, 37.2])
    session.truth["frames"] = []
    assert score.clock_errors(session, 0, greatest) == pytest.approx([7.0])


def test_every_case_can_be_laid_out() -> None:
    assert {"calm", "usual", "hard", "aureole", "mountain", "mixed", "site-off"} <= set(CASES)
    assert len({repr(c) for c in CASES.values()}) == len(CASES)  # no two are the same
