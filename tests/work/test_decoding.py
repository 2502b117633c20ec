"""Frames decoded in other processes: what comes back, in which order, and what a crash costs."""

from concurrent.futures import Executor, Future, ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import pytest

from limbward.camera import same
from limbward.camera.raw import UnreadableFrame, read_raw
from limbward.errors import LimbwardError
from limbward.work import decoding, worker
from limbward.work.decoding import Decoder, Shelf
from limbward.work.executors import Crash, Crew, local_pool
from tests.camera.files import dng, noise


@pytest.fixture
def card(tmp_path):
    paths = [dng(tmp_path / f"F{k}.dng", noise((60, 80), seed=k)) for k in range(5)]
    paths[3].write_bytes(paths[3].read_bytes()[:900])
    return paths


class Inline(Executor):
    """Does the work at once; dies of a file of a name, and then for good, as a pool does."""

    opened = 0

    def __init__(self, deadly=()):
        type(self).opened += 1
        self.deadly, self.dead = deadly, False

    def submit(self, fn, /, *args):
        if self.dead:
            raise Crash("the pool is broken")
        future = Future()
        self.dead = any(getattr(getattr(a, "path", a), "name", "") in self.deadly for a in args)
        if self.dead:
            future.set_exception(Crash("a process in the pool was terminated"))
        else:
            future.set_result(fn(*args))
        return future


def collect(card, open_pool, order, *, shared, pixels=60 * 80, workers=2):
    with Decoder(Crew(open_pool, workers, shared)) as decoder:
        frames = decoder.ahead(card, order, pixels)
        return [(k, f if isinstance(f, Exception) else f.data.copy()) for k, f in frames]


@pytest.mark.parametrize("shared", [True, False])
def test_pixels_are_those_of_the_file_in_the_order_asked_for(card, shared):
    order = [4, 0, 3, 2]
    got = collect(card, local_pool, order, shared=shared)
    assert [k for k, _ in got] == order
    for k, data in got:
        if k == 3:
            assert isinstance(data, UnreadableFrame)
        else:
            np.testing.assert_array_equal(data, read_raw(card[k]).data)


@pytest.mark.parametrize("shared", [True, False])
def test_rows_alone_come_if_they_are_asked_for(card, shared):
    with Decoder(Crew(lambda workers: Inline(), 2, shared)) as decoder:
        for k, frame in decoder.ahead(card, [2, 0], 60 * 80, slice(12, 31), workers=1):
            np.testing.assert_array_equal(frame.data, read_raw(card[k]).data[12:31])


@pytest.mark.parametrize("shared", [True, False])
def test_a_frame_by_itself_lies_on_disk(card, shared, tmp_path):
    folder = tmp_path / "beside"
    folder.mkdir()
    with Decoder(Crew(lambda workers: Inline(), 2, shared), folder=folder) as decoder:
        frames = [decoder.read(path) for path in card[:3]]
    for path, frame in zip(card, frames, strict=False):
        assert isinstance(frame.data, np.memmap)
        np.testing.assert_array_equal(frame.data, read_raw(path).data)
    assert not list(folder.iterdir())


@pytest.mark.parametrize("each", [60 * 80 * 2, 10], ids=["fits", "too-large"])
def test_frames_on_a_shelf_are_decoded_once_for_all_bands(card, tmp_path, monkeypatch, each):
    folder = tmp_path / "beside"
    folder.mkdir()
    tasks = []
    submit = Inline.submit
    monkeypatch.setattr(Inline, "submit", lambda self, *a: tasks.append(a) or submit(self, *a))
    with (
        Decoder(Crew(lambda workers: Inline(), 2, True)) as decoder,
        Shelf(folder, each) as shelf,
    ):
        for rows in (slice(0, 25), slice(12, 60)):
            got = dict(decoder.shelved(card, [4, 3, 0], rows, shelf))
            assert list(got) == [4, 3, 0]
            assert isinstance(got.pop(3), UnreadableFrame)
            for k, frame in got.items():
                np.testing.assert_array_equal(frame.data, read_raw(card[k]).data[rows])
        assert len(tasks) == 3
    assert not list(folder.iterdir())


def test_a_full_disk_is_told_and_is_not_the_files_fault(card, tmp_path, monkeypatch):
    def full(values, file):
        raise LimbwardError("no room")

    monkeypatch.setattr(decoding, "write", full)
    with Decoder(Crew(lambda workers: Inline(), 2, True), folder=tmp_path) as decoder:
        with pytest.raises(LimbwardError, match="no room") as told:
            decoder.read(card[0])
        assert not isinstance(told.value, UnreadableFrame)


@pytest.mark.parametrize("shared", [True, False])
def test_a_crash_costs_one_frame(card, shared):
    """The file that kills its process is named; those that were at work beside it come anyway."""
    got = dict(
        collect(card, lambda workers: Inline({"F1.dng"}), [0, 1, 2, 4], shared=shared, workers=3)
    )
    assert "crashed on F1.dng" in str(got.pop(1))
    for k, data in got.items():
        np.testing.assert_array_equal(data, read_raw(card[k]).data)
    assert set(got) == {0, 2, 4}


def test_a_frame_larger_than_its_room_comes_whole(card):
    """Where the table's size of the frames is wrong, nothing is cut off."""
    got = dict(collect(card, lambda workers: Inline(), [0, 1], shared=True, pixels=10))
    np.testing.assert_array_equal(got[1], read_raw(card[1]).data)


def test_what_goes_wrong_in_a_cluster_is_told(card):
    class Failing(Executor):
        def submit(self, fn, /, *args):
            future = Future()
            future.set_exception(OSError("the connection was lost"))
            return future

    got = dict(collect(card, lambda workers: Failing(), [2], shared=False))
    assert "F2.dng could not be read (the connection was lost)" in str(got[2])


@pytest.mark.parametrize("shared", [True, False])
def test_one_for_which_there_was_no_memory_comes_in_the_end(card, shared):
    class Short(Inline):
        def submit(self, fn, /, *args):
            future = super().submit(fn, *args)
            if args[1].path.name == "F2.dng" and Short.opened == 1:
                future = Future()
                future.set_exception(MemoryError())
            return future

    Short.opened = 0
    got = dict(collect(card, lambda workers: Short(), [0, 1, 2, 4], shared=shared))
    assert Short.opened > 1
    for k, data in got.items():
        np.testing.assert_array_equal(data, read_raw(card[k]).data)


def test_a_frame_by_itself(card):
    with Decoder(Crew(lambda workers: Inline({"F1.dng"}), 2, True)) as decoder:
        with pytest.raises(UnreadableFrame, match=r"crashed on F1\.dng"):
            decoder.read(card[1])
        with pytest.raises(UnreadableFrame, match=r"^F3\.dng "):
            decoder.read(card[3])
        with pytest.raises(UnreadableFrame, match=r"gone\.dng cannot be read \(No such file"):
            decoder.read(card[0].with_name("gone.dng"))
        np.testing.assert_array_equal(decoder.read(card[0]).data, read_raw(card[0]).data)


def impatient():
    """Start a worker that gives a file half a second, and of which one file takes for ever."""
    worker.start_worker()
    worker.LIMIT_S = 0.5
    same.read_raw = stuck


def stuck(path):
    while path.name == "F1.dng":
        pass
    return read_raw(path)


def test_a_decoder_that_does_not_end_is_ended(card):
    got = dict(
        collect(
            card,
            lambda n: ProcessPoolExecutor(n, get_context("spawn"), initializer=impatient),
            [1, 0],
            shared=True,
            workers=1,
        )
    )
    assert "did not finish" in str(got[1])
    np.testing.assert_array_equal(got[0], read_raw(card[0]).data)


def test_where_no_process_starts_it_is_not_the_files_fault(card):
    class Stillborn(Executor):
        def submit(self, fn, /, *args):
            future = Future()
            future.set_exception(Crash("a process died"))
            return future

    with (
        Decoder(Crew(lambda workers: Stillborn(), 2, True)) as decoder,
        pytest.raises(LimbwardError, match="Cannot start a process"),
    ):
        decoder.read(card[0])
