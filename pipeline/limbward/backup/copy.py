"""Copying a file to several places at once, and reading it back from where it went."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from limbward.regular import flush_to_device, open_regular, take_place

CHUNK = 4 << 20


@dataclass(frozen=True)
class Digest:
    """What a file's content is known by."""

    size: int
    sha256: str
    sha512: str


class SourceError(Exception):
    """A file of the card cannot be read as it should; the message says why."""


class _Hasher:
    """Both checksums of a stream, in one pass."""

    def __init__(self) -> None:
        self.size = 0
        self._parts = hashlib.sha256(), hashlib.sha512()

    def update(self, chunk: bytes) -> None:
        self.size += len(chunk)
        for part in self._parts:
            part.update(chunk)

    def digest(self) -> Digest:
        return Digest(self.size, *(part.hexdigest() for part in self._parts))


def read_digest(path: Path) -> Digest:
    """Return the digest of a file, read from the device if the system allows.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    hasher = _Hasher()
    with open_regular(path) as file:
        forget_cached(file)
        while chunk := file.read(CHUNK):
            hasher.update(chunk)
    return hasher.digest()


def forget_cached(file: BinaryIO) -> None:
    """Ask the system to drop what it holds of a file in memory, so that a disk is really read.

    Pages that are written back already are dropped; where there is no such call (macOS, Windows)
    the file may come back from memory.
    """
    if hasattr(os, "posix_fadvise"):
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def stream(source: Path, targets: Sequence[Path]) -> tuple[Digest, dict[Path, OSError]]:
    """Copy a file to several new files while it is read once.

    Parameters
    ----------
    source : Path
    targets : sequence of Path
        Made or replaced.

    Returns
    -------
    digest : Digest
        Of what was read.
    failed : dict
        By target, why it could not be written; the others are complete, though not yet flushed.

    Raises
    ------
    SourceError
        If the source cannot be read, or changes meanwhile.
    """
    hasher = _Hasher()
    failed: dict[Path, OSError] = {}
    with ExitStack() as stack:
        try:
            before = source.lstat()
            if not stat.S_ISREG(before.st_mode):
                raise SourceError("it is no longer a regular file")
            reader = stack.enter_context(open_regular(source))
        except OSError as error:
            raise SourceError(error.strerror or str(error)) from error
        writers: dict[Path, BinaryIO] = {}
        for target in targets:
            try:
                writers[target] = stack.enter_context(target.open("wb", buffering=0))
            except OSError as error:
                failed[target] = error
        while True:
            try:
                chunk = reader.read(CHUNK)
            except OSError as error:
                raise SourceError(error.strerror or str(error)) from error
            if not chunk:
                break
            hasher.update(chunk)
            if hasher.size > before.st_size:  # one that grows might never end
                raise SourceError("it changed while it was copied")
            for target, writer in list(writers.items()):
                try:
                    _write_all(writer, chunk)
                except OSError as error:
                    failed[target] = error
                    del writers[target]
        after = os.fstat(reader.fileno())
    if (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
        raise SourceError("it changed while it was copied")
    if hasher.size != before.st_size:
        raise SourceError(f"it ended after {hasher.size} of {before.st_size} bytes")
    return hasher.digest(), failed


def _write_all(writer: BinaryIO, chunk: bytes) -> None:
    view = memoryview(chunk)
    while view:  # an unbuffered write may take less than it is given
        view = view[writer.write(view) :]


def flush_file(path: Path, mtime_ns: int) -> None:
    """Set a file's time and bring it, time included, from memory to the device."""
    with path.open("rb+") as file:
        os.utime(path, ns=(mtime_ns, mtime_ns))
        flush_to_device(file.fileno())


def flush_folder(path: Path) -> None:
    """Bring a folder's entries to the device, where folders can be flushed (not on Windows)."""
    if os.name != "posix":
        return
    number = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        flush_to_device(number)
    finally:
        os.close(number)


def make_folders(path: Path) -> None:
    """Make a folder with its parents, each flushed in the one that holds it."""
    if path.is_dir():
        return
    make_folders(path.parent)
    path.mkdir(exist_ok=True)
    flush_folder(path.parent)


def write_flushed(path: Path, text: str) -> None:
    """Write a text file that is whole on the device before it takes its place."""
    part = path.with_name(f"{path.name}.part")
    with part.open("wb") as file:
        file.write(text.encode("utf-8"))
        file.flush()
        flush_to_device(file.fileno())
    take_place(part, path)
    flush_folder(path.parent)
