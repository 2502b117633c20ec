"""Decoding frames for the merge in other processes; pixels come back in shared memory."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from mmap import mmap
from pathlib import Path
from typing import Any, Self

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.card import sha256
from limbward.camera.frame import RawFrame, UnreadableFrame
from limbward.camera.raw import read_raw
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.work.executors import Crash, OpenPool, require_processes
from limbward.work.worker import limited, patience_s, room_bytes
from limbward.workspace.columns import texts

LARGEST = 12  # bytes a pixel: three colours in single precision
Decoded = RawFrame | LimbwardError


@dataclass(frozen=True)
class InShared:
    """A frame whose pixels lie in shared memory; ``frame.data`` is empty."""

    frame: RawFrame
    shape: tuple[int, ...]
    dtype: str


class Slot:
    """Shared memory without a place in the file system, so that a killed run leaves none behind.

    Memory is only taken up where it is written to, so room for the largest frame costs nothing.
    """

    def __init__(self, size: int) -> None:
        self._file = os.memfd_create("limbward-frame")
        os.ftruncate(self._file, max(1, size))
        self._memory = mmap(self._file, max(1, size))
        self.name = f"/proc/{os.getpid()}/fd/{self._file}"

    def pixels(self, stored: InShared) -> NDArray[Any]:
        """Return what a worker has stored, without a copy."""
        return np.ndarray(stored.shape, np.dtype(stored.dtype), self._memory)

    def close(self) -> None:
        """Take the name away; the memory goes with the last array in it."""
        os.close(self._file)


def known_digests(config: Config, ingest: Table) -> dict[Path, str]:
    """Return the SHA-256 of the files as ingest read them, by their paths."""
    digests = zip(texts(ingest, "file"), texts(ingest, "sha256"), strict=True)
    return {config.base_dir / file: digest for file, digest in digests if digest}


def read_same(path: Path, digest: str) -> RawFrame:
    """Decode the frame that ingest has measured, and no other that took its place.

    Parameters
    ----------
    path : Path
    digest : str
        The SHA-256 that ingest found; empty if it is not known.

    Raises
    ------
    UnreadableFrame
        With a sentence that says why, if it cannot be decoded or is another file.
    """
    try:
        # 0.1 s for a frame of 50 MB, which is then in memory for the decoder.
        changed = digest and sha256(path) != digest
    except OSError as error:
        raise UnreadableFrame(f"{path.name} cannot be read ({error.strerror or error}).") from error
    if changed:
        raise UnreadableFrame(
            f"{path.name} is not the file that was measured (its SHA-256 differs); run again with "
            "--from ingest"
        )
    return read_raw(path)


def decode(path: Path, digest: str = "") -> Decoded:
    """Decode a frame; what is wrong with it is returned, not raised."""
    try:
        size = path.stat().st_size
        with limited(patience_s(size), room_bytes(size)):
            return read_same(path, digest)
    except LimbwardError as error:
        return UnreadableFrame(str(error))
    except OSError as error:
        return UnreadableFrame(f"{path.name} cannot be read ({error.strerror or error}).")


def decode_into(path: Path, digest: str, slot: str) -> InShared | Decoded:
    """Decode a frame into shared memory of a name; one that does not fit is returned whole."""
    frame = decode(path, digest)
    if isinstance(frame, LimbwardError):
        return frame
    with open(slot, "r+b") as file, mmap(file.fileno(), 0) as memory:
        if frame.data.nbytes > len(memory):
            return frame
        shared = np.frombuffer(memory, np.uint8, frame.data.nbytes)
        shared[:] = frame.data.reshape(-1).view(np.uint8)
        del shared  # memory in use cannot be closed
    nothing = frame.data[..., :0, :0].copy()
    return InShared(replace(frame, data=nothing), frame.data.shape, frame.data.dtype.str)


class Decoder:
    """Decodes frames in other processes, of which any may crash, hang or lack memory.

    Parameters
    ----------
    open_pool : callable
    workers : int
    shared : bool
        Whether the workers share this machine's memory; else pixels are sent through a pipe.
    digests : mapping of Path to str, optional
        SHA-256 of the files; one that is another now is not decoded.

    Notes
    -----
    A frame that takes its process down, and those at work beside it, are decoded once more each in
    a process of its own, which shows the culprit; so is one for which there was no memory.
    """

    def __init__(
        self,
        open_pool: OpenPool,
        workers: int,
        *,
        shared: bool,
        digests: Mapping[Path, str] | None = None,
    ) -> None:
        self._digests = digests or {}
        self._open, self._workers = open_pool, workers
        self._shared = shared and hasattr(os, "memfd_create")
        self._pool: Executor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)

    def read(self, path: Path) -> RawFrame:
        """Decode one frame.

        Raises
        ------
        UnreadableFrame
            With a sentence that says why, if it cannot be decoded.
        """
        result = self._result(path, self._submit(decode, path, self._digests.get(path, "")))
        if isinstance(result, LimbwardError):
            raise result
        assert isinstance(result, RawFrame)
        return result

    def ahead(
        self, paths: Sequence[Path], order: Sequence[int], pixels: int
    ) -> Iterator[tuple[int, Decoded]]:
        """Decode frames, some ahead of the one that is asked for.

        Parameters
        ----------
        paths : sequence of Path
        order : sequence of int
            Which of them, in which order.
        pixels : int
            Of a frame.

        Yields
        ------
        tuple of int and RawFrame or LimbwardError
            The number of the frame. Its pixels are valid until the next one is asked for.
        """
        rooms = min(self._workers, len(order)) + 1
        slots = [Slot(LARGEST * pixels) if self._shared else None for _ in range(rooms)]
        free = deque(slots)
        flight: deque[tuple[int, Slot | None, Future[Any]]] = deque()
        todo = deque(order)
        try:
            while todo or flight:
                while todo and free and len(flight) < self._workers:
                    k, slot = todo.popleft(), free.popleft()
                    work, room = (decode, ()) if slot is None else (decode_into, (slot.name,))
                    digest = self._digests.get(paths[k], "")
                    flight.append((k, slot, self._submit(work, paths[k], digest, *room)))
                k, slot, future = flight.popleft()
                result = self._result(paths[k], future)
                if isinstance(result, InShared):
                    assert slot is not None
                    yield k, replace(result.frame, data=slot.pixels(result))
                else:
                    yield k, result
                del result
                free.append(slot)
        finally:
            for _, slot, future in flight:
                # No worker may write to a slot whose name is gone: it might be another file's.
                if slot is not None and not future.cancel():
                    future.exception()
            for slot in slots:
                if slot is not None:
                    slot.close()

    def _submit(self, work: Callable[..., Any], *args: Any) -> Future[Any]:
        if self._pool is None:
            self._pool = self._open(self._workers)
        try:
            return self._pool.submit(work, *args)
        except Crash:  # of a frame that nobody has asked for yet
            self._end_pool()
            self._pool = self._open(self._workers)
            return self._pool.submit(work, *args)

    def _result(self, path: Path, future: Future[Any]) -> InShared | Decoded:
        try:
            result: InShared | Decoded = future.result()
        except (Crash, MemoryError):
            self._end_pool()
            result = self._alone(path)
        except Exception as error:  # a cluster's workers die with errors of its own
            result = UnreadableFrame(f"{path.name} could not be decoded ({error}).")
        return result

    def _end_pool(self) -> None:
        """Wait until no process is at work, so that none writes to memory that is given away."""
        if self._pool is not None:
            self._pool.shutdown()
            self._pool = None

    def _alone(self, path: Path) -> Decoded:
        with self._open(1) as pool:
            try:
                result: Decoded = pool.submit(decode, path, self._digests.get(path, "")).result()
                return result
            except MemoryError:
                return UnreadableFrame(
                    f"{path.name} needs more memory than there is, or than a photograph of its "
                    "size can; if it is sound, free some and run again with --from merge."
                )
            except Crash:
                pass
        require_processes(self._open)
        return UnreadableFrame(
            f"The decoder crashed on {path.name} or did not come to an end; copy it from the card "
            "again."
        )
