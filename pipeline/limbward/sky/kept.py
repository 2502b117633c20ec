"""Arrays that take long to read, kept in the user's cache folder as they are used."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from platformdirs import user_cache_dir

from limbward.regular import take_place


def place_of(name: str) -> Path:
    """Return where an array of a name is kept; the name says what it was made from."""
    return Path(user_cache_dir("limbward", appauthor=False)) / name


def kept(path: Path, *, mapped: bool = False) -> NDArray[Any] | None:
    """Return a kept array; None if it is not there yet, or damaged.

    Parameters
    ----------
    path : Path
    mapped : bool
        Whether its values are read from the file where they are looked at.
    """
    try:
        found: NDArray[Any] = np.load(path, mmap_mode="r" if mapped else None, allow_pickle=False)
    except (OSError, ValueError, EOFError):
        return None
    return found


def keep(array: NDArray[Any], path: Path) -> None:
    """Write an array beside what other versions wrote; where that cannot be, it is made again."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=path.parent, suffix=".part", delete=False) as file:
            np.save(file, array)
        part = Path(file.name)
        try:
            take_place(part, path)
        finally:
            part.unlink(missing_ok=True)
    except OSError:
        return
