"""What a card becomes: every file a row, whatever is wrong with it."""

import hashlib
import json
import os
import signal
import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_array_equal
from PIL import Image

from limbward.camera.card import find_files
from limbward.camera.luminance import green_plane
from limbward.camera.raw import read_raw
from limbward.camera.reduce import reduce_frame
from limbward.errors import ConfigError, LimbwardError
from limbward.geometry.disc import RIM_BINS
from limbward.limb import frame as limb_frame
from limbward.limb.measure import measure
from limbward.stages import ingest
from limbward.stages.measuring import Task, measure_all, measure_file
from limbward.work.executors import local_crew
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.ingest_rows import blank_row
from tests.camera.files import dng
from tests.ingest.cards import (
    SHAPE,
    SITE,
    SUN,
    a_card,
    a_config,
    capped,
    disc,
    even,
    row_of,
    run,
)


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
        # The light along the Moon's limb, as a fraction of the range.
        assert reduced["rim"].shape == (RIM_BINS,)
        assert 0.0 < np.median(reduced["rim"]) < 1.0
    with np.load(workspace.path(first["reduced"])) as reduced:  # coarser, for it is never merged
        assert reduced["planes"].shape[0] == 3
        assert reduced["factor"] == 4 * expected.factor
        assert "rim" not in reduced
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
    assert any("is partial at the site" in w for w in reporter.warnings)


def test_what_is_not_known_is_masked():
    table = ingest.to_table([{"file": "a", "kind": "raw", "size": 3, "note": ["One.", "two"]}])
    assert table["note"][0] == "One; two"
    assert table["exposure"].mask[0]
    assert table["camera"].mask[0]
    assert table["has_subsec"].mask[0]
    assert not table["size"].mask[0]
