"""Decoding frames ahead of the merge in other processes; pixels come back in shared memory."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, Future
from contextlib import suppress
from dataclasses import dataclass, replace
from multiprocessing.shared_memory import SharedMemory
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame, UnreadableFrame
from limbward.camera.raw import read_raw
from limbward.errors import LimbwardError
from limbward.stages.executors import Crash, OpenPool

LARGEST = 12  # bytes a pixel: three colours in single precision
Decoded = RawFrame | LimbwardError


@dataclass(frozen=True)
class InShared:
    """A frame whose pixels lie in shared memory; ``frame.data`` is empty."""

    frame: RawFrame
    shape: tuple[int, ...]
    dtype: str


def decode(path: Path) -> Decoded:
    """Decode a frame; what is wrong with it is returned, not raised."""
    try:
        return read_raw(path)
    except LimbwardError as error:
        return UnreadableFrame(str(error))


def decode_into(path: Path, slot: str) -> InShared | Decoded:
    """Decode a frame into shared memory of a name; one that does not fit is returned whole."""
    frame = decode(path)
    if isinstance(frame, LimbwardError):
        return frame
    memory = SharedMemory(slot)
    try:
        if frame.data.nbytes > memory.size:
            return frame
        shared: NDArray[np.uint8] = np.ndarray(frame.data.nbytes, np.uint8, memory.buf)
        shared[:] = frame.data.reshape(-1).view(np.uint8)
        del shared
    finally:
        memory.close()
    nothing = frame.data[..., :0, :0].copy()
    return InShared(replace(frame, data=nothing), frame.data.shape, frame.data.dtype.str)


def decoded(
    paths: Sequence[Path],
    order: Sequence[int],
    pixels: int,
    open_pool: OpenPool,
    workers: int,
    *,
    shared: bool,
) -> Iterator[tuple[int, Decoded]]:
    """Decode frames in other processes, some ahead of the one that is asked for.

    Parameters
    ----------
    paths : sequence of Path
    order : sequence of int
        Which of them, in which order.
    pixels : int
        Of a frame.
    open_pool : callable
    workers : int
    shared : bool
        Whether the workers share this machine's memory.

    Yields
    ------
    tuple of int and RawFrame or LimbwardError
        The number of the frame. Its pixels are valid until the next one is asked for.

    Notes
    -----
    Memory is only taken up where it is written to, so room for the largest frame costs nothing.
    """
    slots: list[SharedMemory] = []
    pool: Executor | None = None
    try:
        if shared:
            for _ in range(min(workers, len(order)) + 1):
                slots.append(SharedMemory(create=True, size=max(1, LARGEST * pixels)))
        pool = open_pool(min(workers, max(1, len(order))))
        free = deque(range(len(slots) if shared else workers + 1))
        flight: deque[tuple[int, int, Future[InShared | Decoded]]] = deque()
        todo = deque(order)
        while todo or flight:
            while todo and free and len(flight) < workers:
                k, slot = todo.popleft(), free.popleft()
                flight.append((k, slot, _submit(pool, paths[k], slots, slot)))
            k, slot, future = flight.popleft()
            try:
                result = future.result()
            except Crash:
                # One of those at work has taken the others down: each gets a process of its own.
                pool.shutdown(cancel_futures=True)
                result = _alone(open_pool, paths[k], slots, slot)
                pool = open_pool(min(workers, max(1, len(order))))
                again = [(n, s) for n, s, _ in flight]
                flight.clear()
                for n, s in again:
                    flight.append((n, s, _submit(pool, paths[n], slots, s)))
            except Exception as error:  # a cluster's workers die with errors of its own
                result = UnreadableFrame(f"{paths[k].name} could not be decoded ({error}).")
            if isinstance(result, InShared):
                data: NDArray[np.uint16] = np.ndarray(
                    result.shape, np.dtype(result.dtype), slots[slot].buf
                )
                yield k, replace(result.frame, data=data)
                del data
            else:
                yield k, result
            del result
            free.append(slot)
    finally:
        if pool is not None:
            pool.shutdown(cancel_futures=True)
        for memory in slots:
            _release(memory)


def _submit(
    pool: Executor, path: Path, slots: list[SharedMemory], slot: int
) -> Future[InShared | Decoded]:
    if not slots:
        return pool.submit(decode, path)
    return pool.submit(decode_into, path, slots[slot].name)


def _alone(
    open_pool: OpenPool, path: Path, slots: list[SharedMemory], slot: int
) -> InShared | Decoded:
    with open_pool(1) as pool:
        try:
            return _submit(pool, path, slots, slot).result()
        except Crash:
            return UnreadableFrame(
                f"The decoder crashed on {path.name}; copy it from the card again."
            )


def _release(memory: SharedMemory) -> None:
    memory.unlink()
    with suppress(BufferError):  # someone holds the last frame still; it goes with the process
        memory.close()
