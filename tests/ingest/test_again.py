"""A second run: what is measured again, and what is left behind."""

import os

import numpy as np

from limbward.config.inputs import inputs_digest
from limbward.stages import ingest
from limbward.workspace import Workspace
from limbward.workspace.columns import floats
from tests.camera.files import dng
from tests.ingest.cards import a_card, a_config, disc, row_of, run


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
