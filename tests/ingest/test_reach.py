"""What a file's bytes say is kept; that they could not be reached is not."""

import errno
import os
import shutil
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from astropy.io import fits

from limbward.camera.raw import UnreadableFrame
from limbward.errors import LimbwardError
from limbward.runs.runner import run_stages
from limbward.stages import ingest, measuring
from limbward.work import executors
from limbward.work.reach import failure_to_reach
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.names import artefact_name
from tests.backup.test_backup import fail_to_open
from tests.camera.files import dng
from tests.ingest.cards import a_config, row_of
from tests.robustness.hostile import disc

pytestmark = pytest.mark.usefixtures("in_threads")
COUNT = 8


@pytest.fixture
def card(tmp_path):
    for number in range(COUNT):
        dng(tmp_path / f"card/TST_{number:04d}.DNG", disc(number))
    return tmp_path / "card"


def run(root, text="input: {cards: [card]}\nrun: {jobs: 1}"):
    workspace, reporter = Workspace(root / "workspace"), SilentReporter()
    runs = run_stages(a_config(root, text), workspace, reporter, stages=[ingest.STAGE])
    return workspace.read_table(Workspace.table("ingest")), reporter, runs[0].skipped


@pytest.mark.parametrize("error", [errno.EIO, errno.EACCES])
def test_a_file_that_could_not_be_read_is_tried_again(
    card,
    tmp_path,
    monkeypatch,
    measured,
    error,
):
    with monkeypatch.context() as patch:
        fail_to_open(patch, "TST_0003.DNG", error)
        for _ in range(2):
            table, _, skipped = run(tmp_path)
            assert not skipped
            assert row_of(table, "TST_0003.DNG")["phase"] == "unreadable"
            assert os.strerror(error) in row_of(table, "TST_0003.DNG")["note"]
            assert list(table["phase"]).count("partial") == COUNT - 1
    assert measured.count("TST_0003.DNG") == 2
    table, _, skipped = run(tmp_path)
    assert not skipped
    assert list(table["phase"]) == ["partial"] * COUNT
    assert len(measured) == COUNT + 2  # the others once
    assert run(tmp_path)[2]


def test_damaged_bytes_are_not_tried_again(card, tmp_path):
    (card / "TST_0003.DNG").write_bytes((card / "TST_0003.DNG").read_bytes()[:300])
    assert row_of(run(tmp_path)[0], "TST_0003.DNG")["phase"] == "unreadable"
    assert run(tmp_path)[2]


def test_a_decoder_that_fails_on_a_disk_is_not_believed(card, tmp_path, monkeypatch):
    genuine, disk = measuring.read_raw, []

    def read_raw(path):
        if path.name == "TST_0003.DNG":
            disk.append(path.read_bytes())
            path.write_bytes(b"what a failing disk gives")
            raise UnreadableFrame("The decoder says that the file is damaged.")
        return genuine(path)

    with monkeypatch.context() as patch:
        patch.setattr(measuring, "read_raw", read_raw)
        status = (card / "TST_0003.DNG").stat()
        run(tmp_path)
    (card / "TST_0003.DNG").write_bytes(disk[0])
    os.utime(card / "TST_0003.DNG", ns=(status.st_atime_ns, status.st_mtime_ns))
    table, _, _ = run(tmp_path)
    assert list(table["phase"]) == ["partial"] * COUNT


@pytest.mark.parametrize("how", ["gone", "empty", "dead"])
def test_a_card_pulled_meanwhile_stops_the_run_and_leaves_what_was_there(
    card, tmp_path, monkeypatch, how
):
    run(tmp_path)
    tables = tmp_path / "workspace/tables/ingest.ecsv"
    before = tables.read_bytes()
    for path in card.iterdir():  # all of them are measured again
        os.utime(path, (1.8e9, 1.8e9))
    genuine, calls = measuring.read_raw, []

    def read_raw(path):
        calls.append(path)
        if len(calls) == 3:
            pull()
        return genuine(path)

    def pull():
        if how == "dead":
            for number in range(COUNT):
                fail_to_open(monkeypatch, f"TST_{number:04d}.DNG")
        else:
            card.rename(tmp_path / "pulled")
            if how == "empty":
                card.mkdir()

    with monkeypatch.context() as patch:
        patch.setattr(measuring, "read_raw", read_raw)
        with pytest.raises(LimbwardError, match=r"card can no longer be read .*Connect the card"):
            run(tmp_path)
    monkeypatch.undo()
    monkeypatch.setattr(executors, "local_pool", ThreadPoolExecutor)
    assert tables.read_bytes() == before
    if how != "dead":
        shutil.rmtree(card, ignore_errors=True)
        (tmp_path / "pulled").rename(card)
    table, _, skipped = run(tmp_path)
    assert not skipped
    assert list(table["phase"]) == ["partial"] * COUNT


def test_a_run_of_bad_files_on_a_card_that_is_there_stops_nothing(card, tmp_path, monkeypatch):
    for number in range(2, COUNT):
        fail_to_open(monkeypatch, f"TST_{number:04d}.DNG")
    table, _, _ = run(tmp_path)
    assert list(table["phase"]).count("unreadable") == COUNT - 2


def test_a_failure_is_told_from_damage():
    disk, content = OSError(errno.EIO, "Input/output error"), OSError("Header missing END card.")
    wrapped = UnreadableFrame("no")
    wrapped.__cause__ = disk
    assert failure_to_reach(disk) == failure_to_reach(wrapped) == errno.EIO
    assert failure_to_reach(content) is None
    assert failure_to_reach(OSError(errno.EINVAL, "before the beginning")) is None


def test_frames_that_vanished_are_a_warning(card, tmp_path):
    run(tmp_path)
    for number in range(1, 5):
        (card / f"TST_{number:04d}.DNG").unlink()
    _, reporter, _ = run(tmp_path)
    assert any(
        "4 of 8 frames of the last run are missing, for example card/TST_0001.DNG" in w
        for w in reporter.warnings
    )
    (card / "TST_0005.DNG").unlink()
    _, reporter, _ = run(tmp_path)
    assert any(w.startswith("1 of 4 ") for w in reporter.warnings)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows takes no * in a name")
def test_a_project_folder_may_be_named_like_a_pattern(tmp_path):
    root = tmp_path / "Eclipse [2026] *"
    dng(root / "card/a.dng", disc(1))
    dng(root / "darks/d1.dng", np.full((96, 128), 512, np.uint16))
    text = "input: {cards: [card], darks: ['darks/d[1-3].dng', '~/none*']}"
    table, reporter, _ = run(root, text)
    assert sorted(table["phase"]) == ["dark", "partial"]
    assert not any("darks" in w for w in reporter.warnings)
    assert any("none" in w for w in reporter.warnings)


def test_a_very_long_name_is_measured(tmp_path):
    for stem in ("x" * 246, "é" * 120):
        dng(tmp_path / f"card/{stem}.dng", disc(1 + len(stem)))
    table, _, _ = run(tmp_path)
    assert list(table["phase"]) == ["partial"] * 2
    assert len({artefact_name(f"{'x' * 246}{n}") for n in range(3)}) == 3


@pytest.mark.parametrize(
    ("keyword", "value"),
    [("ISO", 2**63), ("GAIN", 2**63), ("EXPTIME", 1e300), ("FOCRATIO", 1e300), ("ISO", 10**60)],
)
def test_a_header_value_beyond_all_that_there_is_costs_its_field_only(tmp_path, keyword, value):
    (tmp_path / "card").mkdir()
    header = fits.Header({"DATE-OBS": "2026-08-12T17:45:30.5", keyword: value})
    fits.writeto(tmp_path / "card/a.fits", disc(1), header)
    table, _, _ = run(tmp_path)
    assert table["phase"][0] == "partial"
    assert f"{keyword} is not a value that can be real" in table["note"][0]
    assert all(np.ma.getmaskarray(table[c])[0] for c in ("iso", "exposure", "f_number"))
