"""Frames of one name, and one frame twice."""

from datetime import timedelta

import numpy as np
import tifffile

from limbward.stages.copies import mark_copies
from limbward.workspace.columns import floats, texts
from limbward.workspace.names import artefact_name
from tests.camera.files import TAGS, dng
from tests.ingest.cards import SHAPE, a_config, corona, run


def test_frames_of_one_name_stay_apart_and_copies_are_marked(tmp_path, in_threads):
    same = corona(1)
    dng(tmp_path / "a/DCIM/100TESTA/TST_0001.DNG", same)
    dng(tmp_path / "b/DCIM/100TESTA/TST_0001.DNG", corona(2))
    dng(tmp_path / "b/DCIM/100TESTA/TST_0002.DNG", same)
    workspace, table, _ = run(a_config(tmp_path, "input: {cards: [a, b]}"), tmp_path)
    assert list(table["phase"]) == ["totality", "totality", "other"]
    assert "a copy of a/DCIM/100TESTA/TST_0001.DNG" in table["note"][2]
    reduced = set(texts(table, "reduced")[:2])
    assert len(reduced) == 2
    assert all(workspace.path(name).exists() for name in reduced)


def test_a_copy_is_one_picture_whatever_its_name_exif_or_format(tmp_path, in_threads):
    """Three copies of one frame: the same file, edited Exif, and a TIFF made of it."""
    card = tmp_path / "card"
    pixels = corona(1)
    dng(card / "TST_0001.DNG", pixels)
    dng(card / "TST_0002.DNG", corona(2), time_camera=TAGS.time_camera + timedelta(seconds=9))
    (card / "TST_0003.DNG").write_bytes((card / "TST_0001.DNG").read_bytes())
    dng(card / "TST_0004.DNG", pixels, time_camera=TAGS.time_camera + timedelta(hours=1))
    tifffile.imwrite(card / "TST_0005.TIF", pixels, photometric="minisblack")
    _, table, _ = run(a_config(tmp_path), tmp_path)
    assert list(table["phase"]) == ["totality", "totality", "other", "other", "other"]
    for i in (2, 3, 4):
        assert "a copy of card/TST_0001.DNG" in table["note"][i]
    # The clock, the alignment, the merge and the sheet go by these; timing calls frames that have
    # a reduced one totality by their time alone.
    assert [t != "" for t in texts(table, "reduced")] == [True, True, False, False, False]
    assert np.isfinite(floats(table, "measured_moon_x")).sum() == 2


def test_a_copy_is_not_measured_again(tmp_path, in_threads, measured):
    dng(tmp_path / "card/TST_0001.DNG", corona(1))
    dng(tmp_path / "card/TST_0002.DNG", corona(1))
    run(a_config(tmp_path), tmp_path)
    dng(tmp_path / "card/TST_0003.DNG", corona(3))
    del measured[:]
    run(a_config(tmp_path), tmp_path)
    assert measured == ["TST_0003.DNG"]


def test_frames_without_noise_are_not_taken_for_copies(tmp_path, in_threads):
    for k in range(2):
        level = np.full(SHAPE, 15800, np.uint16)  # clipped everywhere
        dng(tmp_path / f"card/TST_000{k}.DNG", level, exposure_s=1.0 + k)
    _, table, _ = run(a_config(tmp_path), tmp_path)
    assert not any("copy" in note for note in texts(table, "note"))


def exported(kind, *, time="2026-08-12T17:45:30", serial="SN1", file="a"):
    return {
        "file": file, "kind": kind, "phase": "totality", "sha256": file, "pixels_sha256": file,
        "camera": "C", "serial": serial, "time_camera": time, "exposure": 0.5, "note": [],
        "reduced": "r",
    }  # fmt: skip


def test_the_export_of_a_raw_frame_is_a_copy_of_it():
    rows = [
        exported("tiff", file="a.tif", serial=None),
        exported("raw", file="b.dng"),
        exported("raw", file="c.dng"),  # a burst within the second
        exported("tiff", file="d.tif", time="2026-08-12T17:45:31"),
        exported("tiff", file="e.tif", serial="SN2"),
    ]
    mark_copies(rows)
    assert [row["phase"] for row in rows] == ["other", *["totality"] * 4]
    assert "b.dng" in rows[0]["note"][0]


def test_of_exports_the_one_nearest_to_the_sensor_counts():
    late = "2026-08-12T17:45:31"
    rows = [
        exported("jpeg", file="A0001.jpg"),
        exported("tiff", file="A0001.tif") | {"linear": True},
        exported("tiff", file="A0001-8.tif") | {"linear": False},
        exported("jpeg", file="A0002.jpg"),  # of the same second, and nothing else is made of it
        exported("jpeg", file="A0003.jpg", time=late),
        exported("raw", file="A0003.dng", time=late),
    ]
    mark_copies(rows)
    kept = [row["file"] for row in rows if row["phase"] == "totality"]
    assert kept == ["A0001.tif", "A0002.jpg", "A0003.dng"]


def test_names_of_artefacts_differ_where_paths_do():
    names = [artefact_name(f) for f in ("a/IMG_0001.DNG", "b/IMG_0001.DNG", "a/IMG_0001.TIF")]
    assert len(set(names)) == 3
    assert all(name.startswith("IMG_0001-") for name in names)
