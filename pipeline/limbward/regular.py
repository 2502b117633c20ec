"""Files that are files, opened and checksummed: a pipe is waited for, a device never ends."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from io import FileIO
from pathlib import Path

NOT_REGULAR = "not a regular file"
PIECE = 1 << 20  # bytes read at a time


def open_regular(path: Path) -> FileIO:
    """Open a regular file for reading, unbuffered.

    Parameters
    ----------
    path : Path
        Links are followed.

    Raises
    ------
    OSError
        If it cannot be opened, or is a pipe, a socket, a device or a folder (EINVAL); none of
        these is waited for.
    """
    _require_regular(os.stat(path), path)  # before opening: some devices act when they are opened
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    number = os.open(path, flags)
    try:
        _require_regular(os.fstat(number), path)  # it may have been exchanged meanwhile
        return open(number, "rb", buffering=0)
    except BaseException:
        os.close(number)
        raise


def sha256(path: Path, size: int | None = None) -> str:
    """Return the SHA-256 of a file, or of its first ``size`` bytes, hexadecimal.

    Raises
    ------
    OSError
        As of `open_regular`, or if it cannot be read.
    """
    with open_regular(path) as stream:
        if size is None:
            return hashlib.file_digest(stream, "sha256").hexdigest()  # piece by piece
        digest = hashlib.sha256()
        while size > 0 and (piece := stream.read(min(size, PIECE))):
            digest.update(piece)
            size -= len(piece)
        return digest.hexdigest()


def _require_regular(status: os.stat_result, path: Path) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, NOT_REGULAR, str(path))
