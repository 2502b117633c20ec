"""Opening files that are files: a pipe would be waited for without end, a device never ends."""

from __future__ import annotations

import errno
import os
import stat
from io import FileIO
from pathlib import Path

NOT_REGULAR = "not a regular file"


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


def _require_regular(status: os.stat_result, path: Path) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, NOT_REGULAR, str(path))
