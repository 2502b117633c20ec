"""Decoding frames for the merge in other processes; pixels come in shared memory or on disk."""

from __future__ import annotations

import tempfile
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Self

import numpy as np

from limbward.camera.frame import ALL_ROWS, RawFrame, UnreadableFrame
from limbward.camera.response import Response
from limbward.camera.same import read_same
from limbward.errors import LimbwardError
from limbward.radiance.scratch import let_go, room_on_disk
from limbward.work.executors import Crew
from limbward.work.map import Failure, FileMap, Task
from limbward.work.shared import AVAILABLE, Slot, name_of, put, write

LARGEST = 12  # bytes a pixel: three colours in single precision
Decoded = RawFrame | LimbwardError


@dataclass(frozen=True)
class InShared:
    """A frame whose pixels lie in shared memory, or in a file; ``frame.data`` is empty."""

    frame: RawFrame
    shape: tuple[int, ...]
    dtype: str


def decode_into(
    path: Path, digest: str, response: Response | None, rows: slice, slot: str | None
) -> InShared | RawFrame:
    """Decode rows of a frame into shared memory of a name; what does not fit is returned."""
    frame = read_same(path, digest, response)
    if rows != ALL_ROWS:  # a copy, so that the others take no memory any more
        part: Any = frame.data[..., rows, :].copy()
        frame = replace(frame, data=part)
    if slot is None or not put(frame.data, slot):
        return frame
    return _lies_there(frame)


def decode_to_file(
    path: Path, digest: str, response: Response | None, file: str | None
) -> InShared | RawFrame:
    """Decode a frame into a file of a name; without one it is returned whole."""
    frame = read_same(path, digest, response)
    if file is None:
        return frame
    write(frame.data, file)
    return _lies_there(frame)


def decode_to_shelf(
    path: Path, digest: str, response: Response | None, file: str, place: int, most: int
) -> InShared | RawFrame:
    """Decode a frame into a file of a name, from a place on; one of more bytes is returned."""
    frame = read_same(path, digest, response)
    if frame.data.nbytes > most:
        return frame
    write(frame.data, file, place)
    return _lies_there(frame)


def _lies_there(frame: RawFrame) -> InShared:
    nothing = frame.data[..., :0, :0].copy()
    return InShared(replace(frame, data=nothing), frame.data.shape, frame.data.dtype.str)


class Shelf:
    """Frames that are decoded once and looked at again, in one file without a name.

    Parameters
    ----------
    folder : Path
        Of the file.
    each : int
        Bytes of a frame.
    """

    def __init__(self, folder: Path, each: int) -> None:
        self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - until `__exit__`
        self.each = each
        self.name = name_of(self._file.fileno())
        self._known: dict[int, InShared | Decoded] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    def __contains__(self, k: int) -> bool:
        return k in self._known

    def keep(self, k: int, found: InShared | Decoded) -> None:
        """Note that frame k lies in its place, or what there is instead."""
        self._known[k] = found

    def rows(self, k: int, rows: slice) -> Decoded:
        """Return rows of frame k; they take memory only while they are looked at."""
        found = self._known[k]
        if isinstance(found, LimbwardError):
            return found
        if isinstance(found, RawFrame):
            return replace(found, data=found.data[..., rows, :])
        place = k * self.each
        data = np.memmap(self._file, found.dtype, "r", place, found.shape)
        return replace(found.frame, data=data[..., rows, :])


class Decoder:
    """Decodes frames in other processes, of which any may crash, hang or lack memory.

    Parameters
    ----------
    crew : Crew
    digests : mapping of Path to str, optional
        SHA-256 of the files; one that is another now is not decoded.
    responses : mapping of Path to Response, optional
        Of files whose values are not in proportion to light, the curves that make them so.
    folder : Path, optional
        Where frames that are read one by one lie, in files without a name; in memory if not given.
    """

    def __init__(
        self,
        crew: Crew,
        digests: Mapping[Path, str] | None = None,
        responses: Mapping[Path, Response] | None = None,
        folder: Path | None = None,
    ) -> None:
        self._digests = digests or {}
        self._responses = responses or {}
        self._workers = crew.workers
        self._folder = folder
        self._shared = crew.shares_memory and AVAILABLE
        self._files = FileMap(crew, again="run again with --from merge")

    @property
    def workers(self) -> int:
        """How many processes decode."""
        return self._workers

    @property
    def can_shelve(self) -> bool:
        """Whether other processes can write to a file that this one has open."""
        return self._shared

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._files.__exit__()

    def read(self, path: Path) -> RawFrame:
        """Decode one frame; its pixels take no memory but where they are looked at.

        Raises
        ------
        UnreadableFrame
            With a sentence that says why, if it cannot be decoded.
        """
        with tempfile.TemporaryFile(dir=self._folder) as file:  # a map keeps it open
            place = name_of(file.fileno()) if self._shared and self._folder else None
            arguments = (*self._told(path), place)
            result = self._files.one(decode_to_file, Task(0, path, arguments))
            if isinstance(result, Failure):
                raise UnreadableFrame(result.sentence)
            if isinstance(result, InShared):
                pixels = np.memmap(file, result.dtype, "r+", shape=result.shape)
                return replace(result.frame, data=pixels)
        return result if self._folder is None else _on_disk(result, self._folder)

    def _told(self, path: Path) -> tuple[Path, str, Response | None]:
        return path, self._digests.get(path, ""), self._responses.get(path)

    def ahead(
        self,
        paths: Sequence[Path],
        order: Sequence[int],
        pixels: int,
        rows: slice = ALL_ROWS,
        workers: int | None = None,
    ) -> Iterator[tuple[int, Decoded]]:
        """Decode frames, some ahead of the one that is asked for.

        Parameters
        ----------
        paths : sequence of Path
        order : sequence of int
            Which of them, in which order.
        pixels : int
            Of a frame.
        rows : slice
            Those that are wanted of each.
        workers : int, optional
            Processes at work at a time; all by default.

        Yields
        ------
        tuple of int and RawFrame or LimbwardError
            The number of the frame. Its pixels are valid until the next one is asked for.
        """
        at_work = min(workers or self._workers, self._workers)
        rooms = min(at_work, len(order)) + 1 if self._shared else 0
        slots = [Slot(LARGEST * pixels) for _ in range(rooms)]
        free, held = deque(slots), dict[int, Slot]()

        def tasks() -> Iterator[Task[int]]:
            for k in order:
                if self._shared:  # one more than there are in flight
                    held[k] = free.popleft()
                slot = held[k].name if self._shared else None
                yield Task(k, paths[k], (*self._told(paths[k]), rows, slot))

        results = self._files.each(decode_into, tasks(), ordered=True, in_flight=at_work)
        try:
            for task, result in results:
                found = _frame_or_why(result)
                if isinstance(found, InShared):
                    pixel = held[task.key].array(found.shape, found.dtype)
                    yield task.key, replace(found.frame, data=pixel)
                    del pixel
                else:
                    yield task.key, found
                del result, found
                if self._shared:
                    free.append(held.pop(task.key))
        finally:
            # No worker may write to a slot whose name is gone: it might be another file's.
            results.close()
            for slot in slots:
                slot.close()

    def shelved(
        self,
        paths: Sequence[Path],
        order: Sequence[int],
        rows: slice,
        shelf: Shelf,
        workers: int | None = None,
    ) -> Iterator[tuple[int, Decoded]]:
        """Yield rows of frames as `ahead` does; what the shelf does not have is decoded to it."""

        def tasks() -> Iterator[Task[int]]:
            for k in order:
                if k not in shelf:
                    told = (*self._told(paths[k]), shelf.name, k * shelf.each, shelf.each)
                    yield Task(k, paths[k], told)

        at_work = min(workers or self._workers, self._workers)
        results = self._files.each(decode_to_shelf, tasks(), ordered=True, in_flight=at_work)
        try:
            for k in order:
                while k not in shelf:
                    task, result = next(results)
                    shelf.keep(task.key, _frame_or_why(result))
                frame = shelf.rows(k, rows)
                yield k, frame
                if isinstance(frame, RawFrame):
                    let_go(frame.data)
        finally:
            results.close()


def _frame_or_why(result: InShared | RawFrame | Failure) -> InShared | Decoded:
    return UnreadableFrame(result.sentence) if isinstance(result, Failure) else result


def _on_disk(frame: RawFrame, folder: Path) -> RawFrame:
    """Return a frame that was sent through a pipe, its pixels on disk."""
    pixels = room_on_disk(frame.data.shape, frame.data.dtype, folder)
    pixels[...] = frame.data
    let_go(pixels)
    return replace(frame, data=pixels)
