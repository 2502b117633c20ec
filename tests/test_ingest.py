import hashlib
import json
import os
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from numpy.testing import assert_array_equal
from PIL import Image

from limbward.camera.card import find_files
from limbward.camera.luminance import green_plane
from limbward.camera.raw import read_raw
from limbward.camera.reduce import reduce_frame
from limbward.config.inputs import inputs_digest
from limbward.config.loading import load_config
from limbward.errors import ConfigError, LimbwardError
from limbward.limb import frame as limb_frame
from limbward.limb.measure import measure
from limbward.stages import ingest
from limbward.stages.copies import mark_copies
from limbward.stages.measuring import Task, artefact_name, blank_row, measure_all, measure_file
from limbward.work import executors
from limbward.work.executors import local_crew
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, texts
from tests.camera.files import TAGS, dng, jpeg

SHAPE = (300, 400)
SUN = (201.3, 148.6, 60.0)  # x, y, radius of the discs drawn here
SITE = "{latitude: 65.0, longitude: -23.4, height: 40}"


def disc(seed=1, sun=SUN):
    """Return a frame of the whole Sun through a filter: an even disc, its edge one pixel soft."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = 8000.0 / (1 + np.exp((np.hypot(x - sun[0], y - sun[1]) - sun[2]) / 0.5))
    return noisy(light, rng)


def corona(seed=1, moon=SUN):
    """Return a frame of totality: a black Moon before light that falls off with the distance."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    rho = np.hypot(x - moon[0], y - moon[1]) / moon[2]
    light = 9000.0 * np.maximum(rho, 1.0) ** -4.0 / (1 + np.exp((1.0 - rho) * moon[2] / 0.5))
    return noisy(light, np.random.default_rng(seed))


def noisy(light, rng):
    signal = rng.poisson(light * 2.0) / 2.0 + rng.normal(512, 4.0, SHAPE)
    return np.clip(signal, 0, 15800).astype(np.uint16)


def capped(seed):
    return noisy(np.zeros(SHAPE), np.random.default_rng(seed))


def even(seed):
    return noisy(np.full(SHAPE, 6000.0), np.random.default_rng(seed))


def a_card(root):
    """Write a card with a frame of each kind, and return its folder."""
    folder = root / "card/DCIM/100TESTA"
    for k in range(3):
        time = TAGS.time_camera + timedelta(seconds=10 * k)
        dng(folder / f"TST_{k + 1:04d}.DNG", disc(k), time_camera=time, subsec_digits=2)
    jpeg(folder / "TST_0001.JPG", {0x829A: (1, 500)}, {0x010F: "Invented", 0x0110: "Model One"})
    dng(folder / "TST_0004.DNG", capped(4), exposure_s=2.0)
    dng(folder / "TST_0005.DNG", even(5))
    whole = dng(folder / "TST_0006.DNG", disc(6)).read_bytes()
    (folder / "TST_0006.DNG").write_bytes(whole[: len(whole) // 2])
    (folder / "TST_0007.DNG").write_bytes(b"")
    (folder / "TST_0008.MOV").write_bytes(b"moving")
    dng(folder / "TST_0010.DNG", corona(10))
    return folder


def a_config(root, text="input: {cards: [card]}", site=SITE, eclipse="2026-08-12"):
    path = root / "limbward.yaml"
    path.write_text(f"site: {site}\neclipse: {eclipse}\n{text}\n", encoding="utf-8")
    return load_config(path)


@pytest.fixture
def in_threads(monkeypatch):
    """Measure in threads: starting processes takes seconds and is tested on its own."""
    monkeypatch.setattr(executors, "local_pool", ThreadPoolExecutor)


@pytest.fixture
def measured(monkeypatch):
    """Return a list to which the names of measured files are added."""
    names = []
    genuine = ingest.measure_all

    def counting(tasks, jobs):
        names.extend(task.file.path.name for task in tasks.values())
        return genuine(tasks, jobs)

    monkeypatch.setattr(ingest, "measure_all", counting)
    return names


def run(config, root):
    workspace = Workspace(root / "workspace")
    reporter = SilentReporter()
    ingest.run(config, workspace, reporter)
    return workspace, workspace.read_table(Workspace.table("ingest")), reporter


def row_of(table, name):
    return {
        c: table[c][[str(f).endswith(name) for f in table["file"]].index(True)]
        for c in table.colnames
    }


def test_a_card_from_end_to_end_in_processes(tmp_path):
    folder = a_card(tmp_path)
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in sorted(folder.iterdir())}
    workspace, table, reporter = run(
        a_config(tmp_path, "input: {cards: [card]}\nrun: {jobs: 2}"), tmp_path
    )

    assert {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in sorted(folder.iterdir())} == before
    assert json.loads(workspace.path("contacts.json").read_text())["kind"] == "total"
    phases = {str(f)[-12:]: str(p) for f, p in zip(table["file"], table["phase"], strict=True)}
    assert phases == {
        "TST_0001.DNG": "partial",
        "TST_0001.JPG": "other",
        "TST_0002.DNG": "partial",
        "TST_0003.DNG": "partial",
        "TST_0004.DNG": "dark",
        "TST_0005.DNG": "flat",
        "TST_0006.DNG": "unreadable",
        "TST_0007.DNG": "unreadable",
        "TST_0008.MOV": "other",
        "TST_0010.DNG": "totality",
    }
    first = row_of(table, "TST_0001.DNG")
    path = folder / "TST_0001.DNG"
    assert first["file"] == "card/DCIM/100TESTA/TST_0001.DNG"
    assert first["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert first["size"] == path.stat().st_size
    assert (first["camera"], first["serial"]) == ("Invented Model One", "SN42")
    assert (first["exposure"], first["iso"]) == (pytest.approx(1 / 500), 200)
    assert first["time_camera"] == "2026-08-12T17:45:30.000000"
    assert bool(first["has_subsec"])
    assert (first["width"], first["height"]) == SHAPE[::-1]
    assert first["saturated_fraction"] == 0.0
    assert first["paired_with"] == "card/DCIM/100TESTA/TST_0001.JPG"
    assert row_of(table, "TST_0001.JPG")["paired_with"] == first["file"]
    # 190 edge points each known to a few hundredths of a pixel.
    assert first["measured_sun_x"] == pytest.approx(SUN[0], abs=0.1)
    assert first["measured_sun_y"] == pytest.approx(SUN[1], abs=0.1)
    plane = green_plane(read_raw(path))
    sun = measure(plane.image, plane.saturated, plane.scale, plane.origin).sun
    assert first["measured_sun_radius"] == pytest.approx(sun.radius, abs=1e-3)
    assert first["measured_sun_sigma"] == pytest.approx(sun.sigma, abs=1e-3)
    total = row_of(table, "TST_0010.DNG")
    assert total["measured_moon_x"] == pytest.approx(SUN[0], abs=0.1)
    assert total["measured_moon_y"] == pytest.approx(SUN[1], abs=0.1)
    assert np.isfinite(floats(table, "measured_moon_x")).sum() == 1
    assert np.isfinite(floats(table, "measured_sun_x")).sum() == 3

    assert [name != "" for name in texts(table, "reduced")].count(True) == 4
    expected = reduce_frame(read_raw(folder / "TST_0010.DNG"))
    with np.load(workspace.path(total["reduced"])) as reduced:
        assert_array_equal(reduced["planes"], expected.planes)
        assert reduced["factor"] == expected.factor
    with np.load(workspace.path(first["reduced"])) as reduced:  # coarser, for it is never merged
        assert reduced["planes"].shape[0] == 3
        assert reduced["factor"] == 4 * expected.factor
    with Image.open(workspace.path(first["preview"])) as preview:
        assert max(preview.size) <= 320
        assert preview.format == "JPEG"
    assert not flags(table, "limb_saturated")[0]
    assert "cannot be decoded" in row_of(table, "TST_0006.DNG")["note"]
    assert "empty" in row_of(table, "TST_0007.DNG")["note"]
    assert row_of(table, "TST_0007.DNG")["sha256"] == hashlib.sha256(b"").hexdigest()
    said = [w for w in reporter.warnings if "TST_000" in w]
    assert len(said) == 2
    assert all(w.count("TST_000") == 1 for w in said)  # the file is named once


def crash_on_the_second(task: Task):
    """Do what a decoder does that trips over its own memory."""
    if task.file.path.name == "TST_0002.DNG":
        os.kill(os.getpid(), signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
    return blank_row(task.file)


def test_a_file_that_crashes_its_process_costs_no_other(tmp_path):
    a_card(tmp_path)
    files = find_files([tmp_path / "card"], tmp_path).files[:4]
    tasks = {f.file: Task(f, tmp_path / "workspace", 1.04) for f in files}
    rows = dict(measure_all(tasks, local_crew(1), crash_on_the_second))
    assert set(rows) == set(tasks)
    crashed = [row for row in rows.values() if row["phase"] == "unreadable"]
    assert [row["file"][-12:] for row in crashed] == ["TST_0002.DNG"]
    assert "crashed" in crashed[0]["note"][-1]
    assert crashed[0]["camera"] == "Invented Model One"  # known without decoding
    assert len(crashed[0]["sha256"]) == 64


def test_only_new_and_changed_files_are_measured_again(tmp_path, in_threads, measured):
    folder = a_card(tmp_path)
    config = a_config(tmp_path)
    _, first, _ = run(config, tmp_path)
    assert len(measured) == len(first) == 10
    measured.clear()
    dng(folder / "TST_0009.DNG", disc(9))
    dng(folder / "TST_0002.DNG", disc(22))
    os.utime(folder / "TST_0002.DNG", (1.8e9, 1.8e9))
    _, second, _ = run(config, tmp_path)
    assert sorted(measured) == ["TST_0002.DNG", "TST_0009.DNG"]
    assert len(second) == 11
    assert row_of(second, "TST_0002.DNG")["sha256"] != row_of(first, "TST_0002.DNG")["sha256"]
    same = row_of(first, "TST_0001.DNG"), row_of(second, "TST_0001.DNG")
    assert same[0]["measured_sun_x"] == same[1]["measured_sun_x"]


def test_a_run_that_was_killed_goes_on_where_it_was(tmp_path, in_threads, measured):
    a_card(tmp_path)
    config = a_config(tmp_path)
    workspace, whole, _ = run(config, tmp_path)
    journal = workspace.path(ingest.JOURNAL)
    lines = journal.read_text().splitlines(keepends=True)
    journal.write_text("".join(lines[:4]) + lines[4][:40])  # killed in the fifth line
    workspace.path(Workspace.table("ingest")).unlink()
    measured.clear()
    _, again, _ = run(config, tmp_path)
    assert len(measured) == 6
    assert [str(f) for f in again["file"]] == [str(f) for f in whole["file"]]
    assert np.array_equal(
        floats(again, "measured_sun_x"), floats(whole, "measured_sun_x"), equal_nan=True
    )


def test_a_result_whose_reduced_frame_is_gone_is_made_again(tmp_path, in_threads, measured):
    folder = a_card(tmp_path)
    config = a_config(tmp_path)
    workspace, table, _ = run(config, tmp_path)
    workspace.path(str(row_of(table, "TST_0010.DNG")["reduced"])).unlink()
    workspace.path(str(row_of(table, "TST_0001.DNG")["preview"])).unlink()
    (folder / "TST_0008.MOV").unlink()
    measured.clear()
    run(config, tmp_path)
    assert measured == ["TST_0001.DNG", "TST_0010.DNG"]


def test_a_forced_run_measures_everything(tmp_path, in_threads, measured):
    a_card(tmp_path)
    config = a_config(tmp_path)
    run(config, tmp_path)
    measured.clear()
    run(config, tmp_path)  # the runner calls only when something changed, or when told to
    assert len(measured) == 10


def test_what_is_made_of_files_that_are_gone_is_removed(tmp_path, in_threads):
    folder = a_card(tmp_path)
    config = a_config(tmp_path)
    workspace, table, _ = run(config, tmp_path)
    gone = row_of(table, "TST_0010.DNG")
    (folder / "TST_0010.DNG").unlink()
    run(config, tmp_path)
    assert not workspace.path(str(gone["reduced"])).exists()
    assert not workspace.path(str(gone["preview"])).exists()


def test_the_fingerprint_follows_the_files(tmp_path):
    folder = a_card(tmp_path)
    config = a_config(tmp_path)
    first = inputs_digest(config)
    assert inputs_digest(config) == first
    os.utime(folder / "TST_0001.DNG", (1.8e9, 1.8e9))
    assert inputs_digest(config) != first


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


def test_calibration_frames_are_what_they_are_said_to_be(tmp_path, in_threads):
    dng(tmp_path / "card/a.dng", disc(1))
    dng(tmp_path / "calibration/dark1.dng", capped(2), exposure_s=1 / 500)
    dng(tmp_path / "calibration/dark2.dng", disc(3))
    dng(tmp_path / "calibration/flat1.dng", even(4))
    dng(tmp_path / "calibration/flat2.dng", capped(5))
    text = (
        "input: {cards: [card], darks: ['calibration/dark*'], flats: ['calibration/flat*.dng'], "
        "bias: ['nothing*']}"
    )
    _, table, reporter = run(a_config(tmp_path, text), tmp_path)
    phases = {Path(str(f)).name: str(p) for f, p in zip(table["file"], table["phase"], strict=True)}
    assert phases == {
        "a.dng": "partial",
        "dark1.dng": "dark",
        "dark2.dng": "other",
        "flat1.dng": "flat",
        "flat2.dng": "other",
    }
    assert "said to be a dark" in row_of(table, "dark2.dng")["note"]
    assert any("nothing*" in w for w in reporter.warnings)


def test_a_workspace_among_the_photographs_is_not_ingested(tmp_path, in_threads):
    dng(tmp_path / "card/a.dng", disc(1))
    config = a_config(tmp_path, "input: {cards: ['.'], exclude: ['*.yaml']}")
    run(config, tmp_path)
    _, table, _ = run(config, tmp_path)
    assert list(table["file"]) == ["card/a.dng"]


def test_one_frame_that_upsets_the_code_does_not_stop_the_others(tmp_path, in_threads, monkeypatch):
    a_card(tmp_path)
    genuine = limb_frame.measure
    calls = []

    def upset(*args, **options):
        calls.append(1)
        if len(calls) == 1:
            raise ZeroDivisionError("no limb at all")
        return genuine(*args, **options)

    monkeypatch.setattr(limb_frame, "measure", upset)
    _, table, _ = run(a_config(tmp_path, "input: {cards: [card]}\nrun: {jobs: 1}"), tmp_path)
    assert sorted(table["phase"]).count("partial") == 2
    assert "no limb at all" in " ".join(texts(table, "note"))


def test_fits_frames_are_measured_with_their_header(tmp_path, in_threads):
    (tmp_path / "card").mkdir()
    header = fits.Header({"DATE-OBS": "2026-08-12T17:45:30.5", "EXPTIME": 0.5})
    fits.writeto(tmp_path / "card/a.fits", disc(1), header)
    _, table, _ = run(a_config(tmp_path), tmp_path)
    assert table["phase"][0] == "partial"
    assert table["time_camera"][0] == datetime(2026, 8, 12, 17, 45, 30, 500000).isoformat()
    assert table["measured_sun_x"][0] == pytest.approx(SUN[0], abs=0.1)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows names are Unicode")
def test_a_name_that_is_no_unicode_gets_a_row(tmp_path, in_threads):
    dng(tmp_path / "card/a.dng", disc(1))
    try:
        os.rename(tmp_path / "card/a.dng", os.fsencode(tmp_path) + b"/card/b\xff.dng")
    except OSError:
        pytest.skip("this file system takes Unicode names only")
    _, table, _ = run(a_config(tmp_path), tmp_path)
    assert table["phase"][0] == "unreadable"
    assert "rename" in table["note"][0]


def test_a_file_that_vanishes_gets_a_row(tmp_path):
    path = dng(tmp_path / "card/a.dng", disc(1))
    file = find_files([tmp_path / "card"], tmp_path).files[0]
    path.unlink()
    row = measure_file(Task(file, tmp_path / "workspace", 1.04))
    assert row["phase"] == "unreadable"
    assert "No such file" in row["note"][-1]


def test_a_card_that_is_not_there_is_a_wrong_config(tmp_path):
    with pytest.raises(ConfigError, match=r"limbward\.yaml:3.*there is no folder .*card"):
        ingest.run(a_config(tmp_path), Workspace(tmp_path / "workspace"), SilentReporter())


def test_an_empty_card_and_one_of_videos_only(tmp_path):
    (tmp_path / "card").mkdir()
    config = a_config(tmp_path)
    workspace = Workspace(tmp_path / "workspace")
    with pytest.raises(LimbwardError, match=f"There are no files in {tmp_path / 'card'}"):
        ingest.run(config, workspace, SilentReporter())
    (tmp_path / "card/a.mov").write_bytes(b"moving")
    with pytest.raises(LimbwardError, match=r"no RAW, TIFF, FITS or JPEG frames .*1 video"):
        ingest.run(config, workspace, SilentReporter())


@pytest.mark.parametrize(
    ("site", "date"),
    [
        (SITE, "2026-08-20"),  # no new moon
        ("{latitude: -33.0, longitude: 151.0}", "2026-08-12"),  # the other side of the Earth
    ],
)
def test_a_place_and_day_without_an_eclipse(tmp_path, site, date):
    a_card(tmp_path)
    with pytest.raises(LimbwardError, match=f"{date}.*Check the date"):
        ingest.run(
            a_config(tmp_path, site=site, eclipse=date),
            Workspace(tmp_path / "workspace"),
            SilentReporter(),
        )


def test_a_partial_eclipse_is_told(tmp_path, in_threads):
    dng(tmp_path / "card/a.dng", disc(1))
    site = "{latitude: 60.0, longitude: 10.0}"
    _, table, reporter = run(a_config(tmp_path, site=site), tmp_path)
    assert len(table) == 1
    assert any("only partial" in w for w in reporter.warnings)


def test_what_is_not_known_is_masked():
    table = ingest.to_table([{"file": "a", "kind": "raw", "size": 3, "note": ["One.", "two"]}])
    assert table["note"][0] == "One; two"
    assert table["exposure"].mask[0]
    assert table["camera"].mask[0]
    assert table["has_subsec"].mask[0]
    assert not table["size"].mask[0]
