"""Damaged input made at random; `fuzz_ingest` is the long version of the first."""

import math
import os
from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.camera.exif import from_tags, read_exif
from limbward.camera.shot import Exif, plain_text
from limbward.config.loading import load_config
from limbward.errors import ConfigError
from limbward.workspace import Workspace
from limbward.workspace.columns import table_text
from tests.robustness.fuzz_folders import fuzz_artefacts, fuzz_trees
from tests.robustness.fuzz_ingest import fuzz

pytestmark = pytest.mark.statistical

FILES = 60


def test_mutated_frames_crash_nothing_hang_nowhere_and_touch_nothing(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    tally = fuzz(tmp_path, FILES, seed=2)
    assert tally.tried == FILES
    assert (tally.crashes, tally.hangs, tally.touched) == ([], [], [])
    assert tally.phases["unreadable"]  # some of them are damaged enough


def test_no_run_costs_a_file_in_any_folder():
    lost, ends = fuzz_trees(30, seed=3)
    assert lost == []
    assert ends["run"] > 3  # some of the folders are workspaces


def test_a_damaged_artefact_is_a_sentence(undisturbed):
    path, finished = undisturbed
    wrong, ends = fuzz_artefacts(load_config(path), finished, 20, seed=3)
    assert wrong == []
    assert ends["a sentence"] > 2  # some of them are damaged enough


class Tag:
    """A tag as ExifRead returns it."""

    def __init__(self, values):
        self.values = values


NAMES = st.sampled_from(
    [
        *(f"EXIF {n}" for n in ("DateTimeOriginal", "SubSecTimeOriginal", "OffsetTimeOriginal")),
        *(f"EXIF {n}" for n in ("ExposureTime", "ShutterSpeedValue", "FNumber", "ApertureValue")),
        *(f"EXIF {n}" for n in ("ISOSpeedRatings", "FocalLength", "BodySerialNumber")),
        *("EXIF FocalPlaneXResolution", "EXIF FocalPlaneResolutionUnit", "EXIF DateTimeDigitized"),
        *("Image Make", "Image Model", "Image DateTime", "Image Orientation"),
        *("GPS GPSDate", "GPS GPSTimeStamp", "MakerNote SerialNumber"),
    ]
)
NUMBERS = st.one_of(
    st.integers(-(2**33), 2**33),
    st.floats(),
    st.fractions(),
    st.tuples(st.integers(0, 2**32), st.just(0)),
    st.none(),
)
TIMES = st.from_regex(r"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d", fullmatch=True)
VALUES = st.one_of(st.text(), st.binary(), TIMES, st.lists(NUMBERS, max_size=4), NUMBERS)


@given(st.dictionaries(NAMES, VALUES.map(Tag)))
@settings(max_examples=300)
def test_any_tags_give_values_that_can_be_true(tags):
    believable(from_tags(tags))


@settings(max_examples=40)
@given(st.binary(max_size=400), st.sampled_from([b"II*\0\x08\0\0\0", b"MM\0*\0\0\0\x08", b""]))
def test_any_file_gives_values_that_can_be_true(tmp_path_factory, content, start):
    path = tmp_path_factory.getbasetemp() / "any.dng"
    path.write_bytes(start + content)
    believable(read_exif(path, decode=False))


def believable(exif: Exif):
    for name in ("exposure_s", "iso", "f_number", "focal_length_mm", "pixel_pitch_um"):
        value = getattr(exif, name)
        assert value is None or (math.isfinite(value) and value > 0)
    for time in (exif.time_camera, exif.gps_utc):
        assert time is None or isinstance(time, datetime)
    assert exif.orientation is None or 1 <= exif.orientation <= 8
    assert exif.offset_hours is None or -15 < exif.offset_hours < 15
    for text in (exif.camera, exif.serial, *exif.notes):
        assert plain_text(text) == text or len(text) > 200
        assert text.isprintable()


@given(st.text(st.characters(codec="utf-8")))
def test_text_comes_back_from_a_table(tmp_path_factory, text):
    from astropy.table import Table

    workspace = Workspace(tmp_path_factory.getbasetemp() / "text")
    safe = table_text(text)
    workspace.write_table("t.ecsv", Table({"file": [safe, "x"], "n": [1, 2]}))
    back = workspace.read_table("t.ecsv")
    assert len(back) == 2
    assert (back["file"].tolist()[0] or "") == safe


CONFIG = (
    "site: {{latitude: 65.0, longitude: -23.4}}\neclipse: 2026-08-12\ninput: {{cards: [card]}}\n{}"
)


@pytest.mark.parametrize(
    "name", ["../up", "a/b", "/etc/passwd", "..", ".", "", "a\\b", "C:x", "a\n", "nul\0", "x" * 61]
)
def test_an_output_name_cannot_leave_the_workspace(tmp_path, name):
    text = CONFIG.format(f"enhance: [{{name: {name!r}, steps: [{{filter: nrgf}}]}}]\n")
    text = text.replace("'", '"')
    (tmp_path / "c.yaml").write_text(text)
    with pytest.raises(ConfigError, match="enhance"):
        load_config(tmp_path / "c.yaml")


@pytest.mark.parametrize(
    "value",
    [
        "!!python/object/apply:os.mkdir ['made-by-yaml']",
        "!!python/object/new:os.mkdir ['made-by-yaml']",
        "!!python/name:os.mkdir",
        "!!python/module:os",
        "!!map {a: !!python/object/apply:os.mkdir ['made-by-yaml']}",
        "!include /etc/passwd",
    ],
)
def test_a_config_constructs_no_objects(tmp_path, monkeypatch, value):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "c.yaml").write_text(CONFIG.format(f"report: {{title: {value}}}\n"))
    with pytest.raises(ConfigError) as caught:
        load_config(tmp_path / "c.yaml")
    assert os.listdir(tmp_path) == ["c.yaml"]
    assert "root:" not in str(caught.value)
