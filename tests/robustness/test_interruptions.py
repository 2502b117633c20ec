"""Runs that are killed, starved or shut out; `kill_points` is the long version of the first."""

import os
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from limbward.backup.describe import describe
from limbward.backup.job import back_up
from limbward.backup.verify import verify_bag
from limbward.camera.card import find_files
from limbward.errors import LimbwardError
from limbward.stages.measuring import Task, measure_all, measure_file
from limbward.work.executors import local_crew
from limbward.workspace import Workspace
from tests.camera.files import dng
from tests.robustness.hostile import disc
from tests.robustness.kill_points import (
    LONGEST_S,
    command,
    differences,
    not_whole,
    try_points,
)
from tests.robustness.undisturbed import run

pytestmark = [
    pytest.mark.card,
    pytest.mark.skipif(os.name != "posix", reason="signals and mounts of POSIX"),
]
KILL_POINTS = 2


@contextmanager
def mounted(place: Path, *options: str):
    """Mount something while the block runs; skip the test where that is not permitted."""
    place.mkdir(exist_ok=True)
    if run("mount", *options, str(place)).returncode != 0:
        pytest.skip("mounting is not permitted here")
    try:
        yield
    finally:
        run("umount", "-l", str(place))


def test_a_run_killed_at_any_moment_goes_on_to_the_same_bytes(undisturbed, tmp_path):
    config, reference = undisturbed
    assert (reference / Workspace.corona).exists()
    assert try_points(tmp_path, config, reference, LONGEST_S, KILL_POINTS, seed=8) == []


def test_a_full_disk_is_a_sentence_and_room_is_all_it_takes(undisturbed, tmp_path):
    config, reference = undisturbed
    size = sum(p.stat().st_size for p in reference.rglob("*") if p.is_file())
    full = tmp_path / "full"
    with mounted(full, "-t", "tmpfs", "-o", f"size={size // 2}", "tmpfs"):
        failed = run(*command(config, full / "workspace"))
        assert failed.returncode == 1
        assert "No space left on device" in failed.stderr
        assert "Traceback" not in failed.stderr
        assert not_whole(full / "workspace", reference) == []
        run("mount", "-o", f"remount,size={4 * size}", str(full))
        again = run(*command(config, full / "workspace"))
        assert again.returncode == 0, again.stderr
        assert differences(full / "workspace", reference) == []


def test_a_workspace_that_may_only_be_read_is_a_sentence(undisturbed, tmp_path):
    config, _ = undisturbed
    with mounted(tmp_path / "shut", "-t", "tmpfs", "-o", "ro", "tmpfs"):
        failed = run(*command(config, tmp_path / "shut/workspace"))
    assert failed.returncode == 1
    assert failed.stderr.count("\n") == 1
    assert "shut/workspace cannot be made (Read-only file system)" in failed.stderr


def test_a_workspace_that_was_shut_later_is_a_sentence(tmp_path):
    (tmp_path / "shut").mkdir()
    with mounted(tmp_path / "shut", "-t", "tmpfs", "tmpfs"):
        with Workspace(tmp_path / "shut").locked():
            pass
        run("mount", "-o", "remount,ro", str(tmp_path / "shut"))
        with (
            pytest.raises(LimbwardError, match=r"Nothing can be written .*Read-only file system"),
            Workspace(tmp_path / "shut").locked(),
        ):
            pass


def test_of_two_runs_at_once_one_is_told_to_wait(undisturbed, tmp_path):
    config, _ = undisturbed
    arguments = command(config, tmp_path / "workspace", "--until", "ingest")
    one = subprocess.Popen(arguments, stderr=subprocess.PIPE, text=True)
    while not (tmp_path / "workspace/state/lock.json").exists():
        assert one.poll() is None
        time.sleep(0.02)
    other = run(*arguments)
    assert other.returncode == 1
    assert f"process {one.pid}" in other.stderr
    _, said = one.communicate()
    assert one.returncode == 0, said


def test_a_backup_to_a_disk_that_fills_up_fails_alone_and_goes_on_later(tmp_path, monkeypatch):
    for number in range(8):
        dng(tmp_path / f"card/TST_{number:04d}.DNG", disc(number))
    full = tmp_path / "full"
    # The check beforehand sees the room; then someone else takes it.
    monkeypatch.setattr("limbward.backup.plan._refuse_full", lambda *_: None)
    with mounted(full, "-t", "tmpfs", "-o", "size=120k", "tmpfs"):
        outcome = back_up([tmp_path / "card"], [full / "bag", tmp_path / "bag"], describe)
        first, second = outcome.accounts
        assert "No space left" in first.problem
        assert not second.problem
        assert verify_bag(tmp_path / "bag").ok
        run("mount", "-o", "remount,size=10m", str(full))
        assert back_up([tmp_path / "card"], [full / "bag"], describe).ok
        assert verify_bag(full / "bag").ok


def starve_once(task: Task):
    """Measure a file, the first time with hardly any memory to spare."""
    import resource

    mark = task.root.parent / "starved"
    if mark.exists():
        return measure_file(task)
    mark.touch()
    pages = int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[0])
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (pages * 4096 + (24 << 20), hard))
    try:
        return measure_file(task)
    finally:
        resource.setrlimit(resource.RLIMIT_AS, (hard, hard))


@pytest.mark.skipif(sys.platform != "linux", reason="/proc")
def test_a_file_for_which_there_was_no_memory_is_measured_in_the_end(tmp_path):
    workspace = tmp_path / "workspace"
    workspace.mkdir()
    big = np.kron(disc(1), np.ones((16, 16))).astype(np.uint16)  # 6 MB; its planes take more
    dng(tmp_path / "card/a.DNG", big)
    files = find_files([tmp_path / "card"], tmp_path).files
    tasks = {f.file: Task(f, workspace, 1.04) for f in files}
    rows = dict(measure_all(tasks, local_crew(1), starve_once))
    assert (tmp_path / "starved").exists()
    right = measure_file(next(iter(tasks.values())))
    assert rows["card/a.DNG"]["phase"] == right["phase"] != "unreadable"
    assert rows["card/a.DNG"]["note"] == right["note"]


def never_ends(task: Task):
    """Do what a decoder does that runs in a circle, under the limit of a worker."""
    from limbward.work import worker

    if task.file.path.name == "b.DNG":
        with worker.limited(0.5):
            while True:
                pass
    return measure_file(task)


def test_a_decoder_that_does_not_end_is_ended(tmp_path):
    for name in ("a", "b", "c"):
        dng(tmp_path / f"card/{name}.DNG", disc(1))
    (tmp_path / "workspace").mkdir()
    files = find_files([tmp_path / "card"], tmp_path).files
    tasks = {f.path.name: Task(f, tmp_path / "workspace", 1.04) for f in files}
    rows = dict(measure_all(tasks, local_crew(1), never_ends))
    assert {n: r["phase"] for n, r in rows.items()} == {
        "a.DNG": "partial",
        "b.DNG": "unreadable",
        "c.DNG": "partial",
    }
    assert "did not finish" in rows["b.DNG"]["note"][-1]
