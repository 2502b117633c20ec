"""Memory that this process and those that work for it share."""

from __future__ import annotations

import os
from mmap import mmap
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.errors import LimbwardError

AVAILABLE = hasattr(os, "memfd_create")


class Slot:
    """Shared memory without a place in the file system, so that a killed run leaves none behind.

    Memory is only taken up where it is written to, so room for the largest frame costs nothing.
    """

    def __init__(self, size: int) -> None:
        self._file = os.memfd_create("limbward-frame")
        os.ftruncate(self._file, max(1, size))
        self._memory = mmap(self._file, max(1, size))
        self.name = name_of(self._file)

    def array(self, shape: tuple[int, ...], dtype: str) -> NDArray[Any]:
        """Return what another process has put there, without a copy."""
        return np.ndarray(shape, np.dtype(dtype), self._memory)

    def close(self) -> None:
        """Take the name away; the memory goes with the last array in it."""
        os.close(self._file)


def name_of(descriptor: int) -> str:
    """Return the name by which other processes of this user open what this one has open."""
    return f"/proc/{os.getpid()}/fd/{descriptor}"


def write(values: NDArray[Any], file: str, place: int = 0) -> None:
    """Write an array to a file of a name, not through a map, whose pages would count as memory.

    ``place`` is that of its first byte in the file.

    Raises
    ------
    LimbwardError
        If there is no room for it.
    """
    try:
        with open(file, "r+b") as out:
            out.seek(place)
            out.write(np.ascontiguousarray(values).reshape(-1).view(np.uint8).data)
    except OSError as error:
        raise LimbwardError(
            f"A decoded frame cannot be written beside the workspace ({error.strerror}). Free some "
            "room on that disk and run again."
        ) from error


def put(values: NDArray[Any], slot: str) -> bool:
    """Copy an array into a slot of a name; return whether there was room for it."""
    with open(slot, "r+b") as file, mmap(file.fileno(), 0) as memory:
        if values.nbytes > len(memory):
            return False
        shared = np.frombuffer(memory, np.uint8, values.nbytes)
        shared[:] = values.reshape(-1).view(np.uint8)
        del shared  # memory in use cannot be closed
    return True
