"""Files that are files: a pipe is waited for, a device never ends.

They are opened, checksummed, brought to their place and to the device, each as the system has it.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import sys
import time
from io import FileIO
from pathlib import Path

NOT_REGULAR = "not a regular file"
PIECE = 1 << 20  # bytes read at a time
# On Windows no file can be replaced while somebody reads it without leave to: a virus scanner, or
# this program's own page. Both are done within a fraction of a second; a picture viewer is not.
HELD_S = 2.0
ASK_AGAIN_S = 0.05


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


def take_place(part: Path, target: Path) -> None:
    """Give a finished file its name, at once and in place of what had it.

    Where an open file cannot be replaced (Windows), it is waited for.

    Raises
    ------
    OSError
        As of `os.replace`; a PermissionError if the file is held for longer than that.
    """
    patience = time.monotonic() + HELD_S
    while True:
        try:
            os.replace(part, target)
            return
        except PermissionError:
            if sys.platform != "win32" or time.monotonic() > patience:
                raise
        time.sleep(ASK_AGAIN_S)


def flush_to_device(number: int) -> None:
    """Bring an open file's bytes to the device, not only on their way to it.

    On macOS fsync leaves them in the disk's own memory, which a pulled cable empties.
    """
    if sys.platform == "darwin":
        import fcntl

        try:
            fcntl.fcntl(number, fcntl.F_FULLFSYNC)
            return
        except OSError:
            pass  # network volumes and some file systems have no such call
    os.fsync(number)


def _require_regular(status: os.stat_result, path: Path) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, NOT_REGULAR, str(path))
