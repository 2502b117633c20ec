import hashlib
import json
from datetime import datetime, timedelta

import exifread
import numpy as np
import pytest
import rawpy
from PIL import Image
from ruamel.yaml import YAML

from limbward.errors import LimbwardError
from limbward.simulate.card import card_names, simulate_card
from limbward.simulate.scenario import Camera, adapt, demo_scenario, shorten, two_camera_scenario

pytestmark = pytest.mark.card

MEGAPIXELS = 0.3


def small(scenario):
    return shorten(scenario, partial_frames=4, brackets=1)


@pytest.fixture(scope="module")
def dump(tmp_path_factory):
    root = tmp_path_factory.mktemp("dump")
    calls = []
    simulate_card(
        root,
        small(demo_scenario()),
        megapixels=MEGAPIXELS,
        seed=4,
        progress=lambda done, total: calls.append((done, total)),
    )
    truth = json.loads((root / "truth.json").read_text())
    assert calls[-1] == (len(truth["frames"]), len(truth["frames"]))
    return root, truth


def digests(root):
    files = sorted(p for p in root.rglob("*") if p.is_file())
    return {str(p.relative_to(root)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def green(path):
    with rawpy.imread(str(path)) as raw:
        return raw.raw_image_visible[0::2, 1::2].astype(float) - raw.black_level_per_channel[1]


def test_same_seed_same_bytes_however_many_jobs(dump, tmp_path):
    root, _ = dump
    simulate_card(tmp_path, small(demo_scenario()), megapixels=MEGAPIXELS, seed=4, jobs=2)
    assert digests(tmp_path) == digests(root)


def test_another_seed_is_another_day(dump, tmp_path):
    root, truth = dump
    scenario = small(demo_scenario())
    simulate_card(tmp_path, scenario, megapixels=MEGAPIXELS, seed=5)
    name = truth["frames"][0]["file"]
    assert digests(tmp_path)[name] != digests(root)[name]


def test_every_file_is_in_the_truth_and_decodes(dump):
    root, truth = dump
    files = {str(p.relative_to(root)) for p in (root / "card").rglob("*.DNG")}
    assert files == {f["file"] for f in truth["frames"]}
    camera = truth["cameras"][0]
    for frame in truth["frames"]:
        if frame["truncated"]:
            continue
        with rawpy.imread(str(root / frame["file"])) as raw:
            assert raw.raw_image_visible.shape == (camera["height"], camera["width"])


def test_one_file_is_cut_short(dump):
    root, truth = dump
    cut = [f for f in truth["frames"] if f["truncated"]]
    assert len(cut) == 1
    whole = max(p.stat().st_size for p in (root / "card").rglob("*.DNG"))
    assert (root / cut[0]["file"]).stat().st_size < 0.7 * whole


def test_exif_time_is_the_clock_and_exposure_the_dial(dump):
    root, truth = dump
    camera = truth["cameras"][0]
    epoch = datetime.fromisoformat(camera["epoch_utc"].rstrip("Z"))
    for frame in truth["frames"]:
        with open(root / frame["file"], "rb") as stream:
            tags = exifread.process_file(stream)
        read = datetime.strptime(str(tags["EXIF DateTimeOriginal"]), "%Y:%m:%d %H:%M:%S")
        utc = datetime.fromisoformat(frame["time_utc"].rstrip("Z"))
        hours = (utc - epoch).total_seconds() / 3600
        error = camera["offset_s"] + camera["drift_s_per_hour"] * hours
        clock = utc + timedelta(hours=camera["utc_offset_hours"], seconds=error)
        assert -0.002 <= (clock - read).total_seconds() < 1.002  # whole seconds, cut not rounded
        exposure = float(tags["EXIF ExposureTime"].values[0])
        assert exposure == pytest.approx(frame["nominal_exposure_s"], rel=1e-6)
        assert frame["exposure_s"] == pytest.approx(exposure, rel=0.1)


def test_partial_sun_lies_where_the_truth_says(dump):
    root, truth = dump
    for frame in truth["frames"]:
        if frame["kind"] != "partial":
            continue
        lit = green(root / frame["file"]) > 1500
        y, x = np.nonzero(lit)
        x, y = 2.0 * x + 1, 2.0 * y  # green pixels at (odd, even)
        from_sun = np.hypot(x - frame["sun_x"], y - frame["sun_y"])
        from_moon = np.hypot(x - frame["moon_x"], y - frame["moon_y"])
        assert from_sun.max() < frame["sun_radius"] + 1.5
        assert from_sun.max() > frame["sun_radius"] - 2.5
        assert from_moon.min() > frame["moon_radius"] - 1.5
        assert from_moon.min() < frame["moon_radius"] + 2.5


def test_totality_has_a_dark_moon_and_a_corona(dump):
    root, truth = dump
    frame = next(
        f for f in truth["frames"] if f["nominal_exposure_s"] == 1 / 125 and f["kind"] == "totality"
    )
    image = green(root / frame["file"])
    y, x = np.indices(image.shape) * 2.0
    r = np.hypot(x + 1 - frame["moon_x"], y - frame["moon_y"]) / frame["moon_radius"]
    inside, ring = np.median(image[r < 0.8]), np.median(image[(r > 1.03) & (r < 1.1)])
    assert ring > 50 * max(inside, 1.0)
    # 2.2e-6 of the disc saturates at 1/60 s: 1/125 s is at a good third of the range.
    assert 0.2 * 15000 < ring < 0.8 * 15000


def test_jpeg_lies_beside_its_raw_with_the_same_time(dump):
    root, _ = dump
    jpegs = list((root / "card").rglob("*.JPG"))
    assert len(jpegs) == 1
    with open(jpegs[0], "rb") as stream:
        beside = exifread.process_file(stream)
    with open(jpegs[0].with_suffix(".DNG"), "rb") as stream:
        raw = exifread.process_file(stream)
    for name in ("EXIF DateTimeOriginal", "EXIF ExposureTime", "EXIF BodySerialNumber"):
        assert str(beside[name]) == str(raw[name])
    assert Image.open(jpegs[0]).size[0] > 100


def test_config_is_the_smallest_that_works(dump):
    root, truth = dump
    config = YAML(typ="safe").load((root / "limbward.yaml").read_text())
    assert set(config) == {"site", "eclipse", "input"}
    assert config["site"]["latitude"] == truth["site"]["latitude"]
    assert str(config["eclipse"]) == "2026-08-12"
    assert [(root / c).is_dir() for c in config["input"]["cards"]] == [True]


def test_numbers_roll_over_into_a_new_folder():
    names = card_names(Camera(first_folder=100, first_number=9998), 4)
    assert names == [
        "DCIM/100AURLA/AURL9998.DNG",
        "DCIM/100AURLA/AURL9999.DNG",
        "DCIM/101AURLA/AURL0001.DNG",
        "DCIM/101AURLA/AURL0002.DNG",
    ]


def test_two_bodies_fill_two_cards(tmp_path):
    scenario = adapt(small(two_camera_scenario()), 1, tags={"gps": True})
    simulate_card(tmp_path, scenario, megapixels=MEGAPIXELS, seed=1)
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert len(truth["cameras"]) == 2
    config = YAML(typ="safe").load((tmp_path / "limbward.yaml").read_text())
    assert config["input"]["cards"] == ["card/lens", "card/telescope"]
    by_file = {f["file"]: f for f in truth["frames"]}
    jpeg = next((tmp_path / "card/lens").rglob("*.JPG"))
    for path in (jpeg, jpeg.with_suffix(".DNG")):
        with open(path, "rb") as stream:
            tags = exifread.process_file(stream)
        assert str(tags["EXIF OffsetTimeOriginal"]) == "+00:00"
        assert str(tags["EXIF SubSecTimeOriginal"]).isdigit()
        day = datetime.strptime(str(tags["GPS GPSDate"]), "%Y:%m:%d")
        h, m, s = (float(v) for v in tags["GPS GPSTimeStamp"].values)
        fix = day + timedelta(hours=h, minutes=m, seconds=s)
        frame = by_file[str(jpeg.with_suffix(".DNG").relative_to(tmp_path))]
        start = datetime.fromisoformat(frame["time_utc"].rstrip("Z"))
        assert 0 <= (start - fix).total_seconds() < 1  # the last fix before the shutter


def test_a_folder_in_use_is_left_alone(dump):
    root, _ = dump
    before = digests(root)
    with pytest.raises(LimbwardError, match="already there"):
        simulate_card(root, small(demo_scenario()), megapixels=MEGAPIXELS)
    assert digests(root) == before
