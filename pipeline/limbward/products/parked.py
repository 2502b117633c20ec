"""Discs cut out by other processes, handed over in files without a name.

Sent through a pipe a disc 3840 pixels wide is held three times by the one and twice by the other.
"""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Self

import numpy as np

from limbward.sequences.cut import Cut


@dataclass(frozen=True)
class Parked:
    """A `Cut` that lies in a file: its side in pixels, and whether ``white`` is known."""

    side: int
    white: bool


def cut_into(place: str | None, cutting: Callable[[], Cut]) -> Cut | Parked:
    """Return what is cut, or write it to a file; ``place`` is of `Lot.place`."""
    made = cutting()
    if place is None:
        return made
    parts = [made.picture, made.clipped, *([] if made.white is None else [made.white])]
    with open(place, "r+b") as file:
        for part in parts:
            file.write(np.ascontiguousarray(part).data)
    return Parked(len(made.clipped), made.white is not None)


class Lot:
    """Files for discs that are being cut out.

    Parameters
    ----------
    folder : Path or None
        Of a file system with room for them; None is that of temporary files.
    """

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._files: dict[int, int] = {}  # descriptors

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for file in self._files.values():
            os.close(file)

    def place(self, key: int) -> str | None:
        """Return a file's name for other processes; None where files without one have none."""
        if sys.platform != "linux":
            return None
        self._files[key], name = tempfile.mkstemp(dir=self._folder)
        os.unlink(name)
        return f"/proc/{os.getpid()}/fd/{self._files[key]}"

    def fetch(self, key: int, made: Cut | Parked) -> Cut:
        """Return a disc, its values in their file; that ends with the last array in it."""
        if not isinstance(made, Parked):
            return made
        shape, size = (made.side, made.side), made.side**2
        with open(self._files.pop(key), "rb") as file:
            picture = np.memmap(file, np.float32, "r", 0, (3, *shape))
            masks = [
                np.memmap(file, np.bool_, "r", offset, shape)
                for offset in (12 * size, 13 * size)[: 1 + made.white]
            ]
        return Cut(picture, *masks)
