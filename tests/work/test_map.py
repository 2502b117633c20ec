"""A map over files: what a crash, a file that never ends, a lack of memory and a bug cost."""

import importlib.util
import os
import subprocess
import sys
import time
from concurrent.futures import Executor, Future, ThreadPoolExecutor

import numpy as np
import pytest
from threadpoolctl import threadpool_info

from limbward.errors import LimbwardError, UnreadableFile
from limbward.work import worker
from limbward.work.executors import LOADED_BEFORE, Crew, crew, local_crew
from limbward.work.map import Failure, FileMap, Task

SOUND = ("a", "b", "c", "d")


@pytest.mark.parametrize("name", LOADED_BEFORE)
def test_what_is_loaded_before_workers_begin_is_there(name):
    """The server passes over what it cannot load, and each worker would be slower for it."""
    assert importlib.util.find_spec(name) is not None


def behave(path, patience=None):
    """Return the file's text, or do what its name says."""
    kind = path.stem
    if kind == "crash":
        os.kill(os.getpid(), 11)
    elif kind == "hang":
        with worker.limited(0.5):
            while True:
                pass
    elif kind == "greedy":
        return int(np.ones(4_000_000_000, np.uint8)[::4096].sum())
    elif kind == "damaged":
        raise UnreadableFile(f"{path.name} is damaged.")
    elif kind == "bug":
        return 1 / 0
    elif kind == "full":
        raise LimbwardError("The disk is full.")
    elif kind == "slow":
        time.sleep(1.0)
    return path.read_text()


def tasks(folder, names):
    for name in names:
        if name != "gone":
            (folder / f"{name}.raw").write_text(name)
        path = folder / f"{name}.raw"
        yield Task(name, path, (path,))


@pytest.mark.parametrize("ordered", [True, False])
def test_what_goes_wrong_with_a_file_is_a_value_and_the_others_go_on(tmp_path, ordered):
    names = ["a", "crash", "b", "damaged", "gone", "greedy", "bug", "hang", "c", "d"]
    with FileMap(local_crew(2), again="try later", origin="phone") as files:
        got = [(t.key, r) for t, r in files.each(behave, tasks(tmp_path, names), ordered=ordered)]
    keys = [key for key, _ in got]
    assert (keys if ordered else sorted(keys)) == (names if ordered else sorted(names))
    got = dict(got)
    assert [got.pop(name) for name in SOUND] == list(SOUND)
    assert {name: failure.kind for name, failure in got.items()} == {
        "crash": "crash",
        "hang": "crash",
        "damaged": "content",
        "gone": "disk",
        "greedy": "memory",
        "bug": "code",
    }
    for name, failure in got.items():
        assert failure.sentence.count(f"{name}.raw") == 1
    assert got["crash"].sentence.endswith("copy the file from the phone again.")
    assert got["greedy"].sentence.endswith("free some memory and try later.")
    assert "No such file" in got["gone"].sentence
    assert "ZeroDivisionError" in got["bug"].sentence


def test_what_is_not_the_files_fault_ends_the_map(tmp_path):
    with FileMap(local_crew(1)) as files, pytest.raises(LimbwardError, match="disk is full"):
        list(files.each(behave, tasks(tmp_path, ["a", "full", "b"])))


def test_results_come_as_they_are_there_unless_an_order_is_asked_for(tmp_path):
    hands = Crew(ThreadPoolExecutor, 2, True)
    for ordered, wanted in ((False, ["a", "slow"]), (True, ["slow", "a"])):
        with FileMap(hands) as files:
            found = files.each(behave, tasks(tmp_path, ["slow", "a"]), ordered=ordered)
            assert [task.key for task, _ in found] == wanted


class Counting(Executor):
    """Does the work at once, and keeps count of what is handed out."""

    submitted = 0

    def submit(self, fn, /, *args):
        Counting.submitted += 1
        future = Future()
        future.set_result(fn(*args))
        return future


@pytest.mark.parametrize(("in_flight", "most"), [(3, 3), (None, 4)])
def test_no_more_is_handed_out_than_may_be_in_flight(tmp_path, in_flight, most):
    Counting.submitted = 0
    names = [str(k) for k in range(20)]
    with FileMap(Crew(lambda workers: Counting(), 2, True)) as files:
        found = files.each(behave, tasks(tmp_path, names), ordered=True, in_flight=in_flight)
        for k, _ in enumerate(found):
            assert Counting.submitted - k <= most
    assert Counting.submitted == 20


def test_a_map_that_is_left_early_leaves_nothing_at_work(tmp_path):
    with FileMap(local_crew(2)) as files:
        found = files.each(behave, tasks(tmp_path, ["a", "slow", "b", "c"]), ordered=True)
        assert next(found)[1] == "a"
        found.close()
        assert files.one(behave, next(tasks(tmp_path, ["d"]))) == "d"


def test_a_clusters_files_are_limited_as_here(tmp_path):
    """Of a worker with two threads, the timer of one must not end with the other's work."""
    distributed = pytest.importorskip("distributed")
    dask = pytest.importorskip("dask")
    with (
        # A task is tried once only: each worker that dies takes seconds to be replaced.
        dask.config.set({"distributed.scheduler.allowed-failures": 0}),
        distributed.LocalCluster(
            n_workers=1, threads_per_worker=2, dashboard_address=None, memory_limit=0
        ) as cluster,
        crew(None, "dask", cluster.scheduler_address) as hands,
    ):
        assert (hands.workers, hands.shares_memory) == (2, False)
        with FileMap(hands) as files:
            names = ["a", "greedy", "b", "hang"]
            got = {t.key: r for t, r in files.each(behave, tasks(tmp_path, names))}
    assert (got["a"], got["b"]) == ("a", "b")
    assert isinstance(got["greedy"], Failure)
    assert got["greedy"].kind == "memory"
    assert got["hang"].kind == "crash"


def threads_of_blas():
    return [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]


def test_a_worker_has_one_thread_of_linear_algebra(tmp_path):
    (tmp_path / "a.raw").write_text("a")
    with FileMap(local_crew(1)) as files:
        found = files.one(threads_of_blas, Task(0, tmp_path / "a.raw", ()))
    assert found
    assert set(found) == {1}


def test_workers_begin_where_no_socket_can_be_made(tmp_path):
    """A socket's path has 107 bytes at most: unix(7)."""
    (tmp_path / ("long" * 30)).mkdir()
    ask = (
        "from limbward.work.executors import local_pool\n"
        "from limbward.work.worker import ready\n"
        "with local_pool(1) as pool: print(pool.submit(ready).result())"
    )
    environment = {**os.environ, "TMPDIR": str(tmp_path / ("long" * 30))}
    command = [sys.executable, "-c", ask]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.stdout == "True\n", done.stderr
