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
from typing import BinaryIO, Literal, Self

import numpy as np

from limbward.sequences.cut import Cut

LAYERS = 14  # bytes a pixel: three colours in single precision, two masks


@dataclass(frozen=True)
class Parked:
    """A `Cut` that lies in a file: its side in pixels."""

    side: int


def cut_into(place: str | None, side: int, cutting: Callable[..., Cut]) -> Cut | Parked:
    """Return what is cut, or write it to a file as it is made.

    Parameters
    ----------
    place : str or None
        Of `Lot.place`.
    side : int
        Of the disc.
    cutting : callable
        Returns the disc; called with ``into``, a `Cut` to be written, where there is a place.
    """
    if place is None:
        return cutting()
    with open(place, "r+b") as file:
        # On a full disk an error here, a signal when pages of a file with holes are written.
        os.posix_fallocate(file.fileno(), 0, LAYERS * side**2)
        cutting(into=_mapped(file, side, "r+"))
    return Parked(side)


def _mapped(file: BinaryIO, side: int, mode: Literal["r", "r+"]) -> Cut:
    """Return a disc whose values are in a file: the colours, one after the other, then masks."""
    shape, size = (side, side), side**2
    picture = np.memmap(file, np.float32, mode, 0, (3, *shape))
    return Cut(picture, *(np.memmap(file, np.bool_, mode, k * size, shape) for k in (12, 13)))


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
        with open(self._files.pop(key), "rb") as file:
            return _mapped(file, made.side, "r")
