"""How many frames are measured at a time in so much memory."""

from concurrent.futures import Executor, Future

import numpy as np
import pytest

from limbward.camera.card import find_files
from limbward.camera.raw import samples_declared
from limbward.stages.measuring import MAIN_BYTES, SAMPLE_BYTES, WORKER_BYTES, Task, measure_all
from limbward.work.executors import Crew
from limbward.workspace.ingest_rows import blank_row
from tests.camera.files import dng

SHAPE = (40, 60)


class Counting(Executor):
    """Does the work at once and counts what it was given."""

    given = 0

    def submit(self, fn, /, *args):
        type(self).given += 1
        future = Future()
        future.set_result(fn(*args))
        return future


def bare_row(task):
    return blank_row(task.file)


def test_a_header_tells_the_samples_of_a_frame(tmp_path):
    whole = dng(tmp_path / "a.dng", np.zeros(SHAPE, np.uint16), margins=(4, 6, 2, 8))
    assert samples_declared(whole) == 40 * 60 < whole.stat().st_size / 2
    whole.write_bytes(b"nothing of the kind" * 100)
    assert samples_declared(whole) == 950
    (tmp_path / "a.tif").write_bytes(b" " * 4800)
    assert samples_declared(tmp_path / "a.tif") == 2400


@pytest.mark.parametrize(("at_a_time", "out"), [(0.4, 1), (1.2, 1), (3.1, 3), (4.5, 5), (99, 5)])
def test_memory_says_how_many_are_measured_at_a_time(tmp_path, at_a_time, out):
    """With all of four processes at work, a fifth frame waits; one at least is always measured."""
    for k in range(5):
        dng(tmp_path / f"card/{k}.dng", np.zeros(SHAPE, np.uint16))
    files = find_files([tmp_path / "card"], tmp_path).files
    tasks = {f.file: Task(f, tmp_path, 1.04) for f in files}
    memory = MAIN_BYTES + at_a_time * (WORKER_BYTES + SAMPLE_BYTES * np.prod(SHAPE))
    rows = measure_all(tasks, Crew(lambda workers: Counting(), 4, True), bare_row, memory)
    Counting.given = 0
    next(rows)
    assert Counting.given == out + 1  # one call asks for the size
    assert len(list(rows)) == 4
