"""Writing files whole or not at all, and keeping what would be overwritten."""

from __future__ import annotations

import errno
import json
import os
import re
import secrets
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np

from limbward.errors import LimbwardError
from limbward.regular import take_place

TEMPORARY = ".writing-"  # begins the name of a file that is not finished

KEPT = re.compile(r"\.kept-[1-9]\d*(?=\.|$)")  # in the name of a file that was not overwritten

FULL_BYTES = 1 << 20  # a file system with less room than this is full


@contextmanager
def atomic_path(path: Path, settle: Callable[[Path], None] | None = None) -> Iterator[Path]:
    """Yield a path to write to; the file takes its place only when the block ends well.

    Parameters
    ----------
    path : Path
        Its folder is made; a file there is replaced.
    settle : callable, optional
        Called with the finished file just before it takes its place.

    Yields
    ------
    Path
        In the same folder, with the same suffixes.

    Raises
    ------
    LimbwardError
        If it cannot be written: a full disk, a folder that takes no files.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> target = Path(tempfile.mkdtemp()) / "a.txt"
    >>> with atomic_path(target) as part:
    ...     _ = part.write_text("whole")
    >>> target.read_text()
    'whole'
    """
    part = path.parent / f"{TEMPORARY}{secrets.token_hex(4)}-{path.name}"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield part
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        if settle is not None:
            settle(part)
        take_place(part, path)
    except OSError as error:  # a full disk reaches the writers of pictures in many disguises
        raise LimbwardError(
            f"{path} cannot be written ({_reason(error, path.parent)}); finished work is kept, "
            "and the next run continues from there."
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def _reason(error: OSError, folder: Path) -> str:
    """Return why a file could not be written; array writers do not say that a disk is full."""
    if sys.platform == "win32" and isinstance(error, PermissionError):
        return "another program has it open, or the folder takes no files"
    if error.strerror:
        return error.strerror
    try:
        full = shutil.disk_usage(folder).free < FULL_BYTES
    except OSError:
        full = False
    return os.strerror(errno.ENOSPC) if full else str(error)


def write_text(path: Path, text: str) -> None:
    """Write UTF-8 text atomically, with the line ends it has."""
    with atomic_path(path) as part:
        part.write_bytes(text.encode("utf-8"))


def to_json(value: Any) -> str:
    """Return a value as indented JSON with a newline at the end.

    Raises
    ------
    ValueError
        For NaN and infinities, which JSON does not have.
    """

    def plain(item: object) -> object:
        if isinstance(item, np.generic | np.ndarray):
            return item.tolist()
        raise TypeError(f"{type(item).__name__} is not written to JSON")

    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False, default=plain) + "\n"


def set_aside(path: Path) -> Path:
    """Give a file another name, ``NAME.kept-1.SUFFIX`` or with the next free number; return it."""
    for number in count(1):
        kept = path.with_name(f"{path.stem}.kept-{number}{path.suffix}")
        if not os.path.lexists(kept):
            os.rename(path, kept)
            return kept
    raise AssertionError  # numbers do not end
