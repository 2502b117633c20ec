"""Records of arrays and numbers in files: dataclasses of this package and what they hold.

Written by `pickle` and read without its danger: nothing but the classes named here is looked up,
so that a file that somebody else has put there runs no code.
"""

from __future__ import annotations

import io
import pickle
from dataclasses import is_dataclass
from pathlib import Path
from typing import Any

import numpy as np

from limbward.errors import LimbwardError
from limbward.workspace.writing import atomic_path

PROTOCOL = 4  # the last in which arrays need no function of NumPy beside these
ARRAYS = {
    (module, name)
    for core in ("numpy.core", "numpy._core")
    for module, name in ((f"{core}.multiarray", "_reconstruct"), (f"{core}.multiarray", "scalar"))
} | {("numpy", "ndarray"), ("numpy", "dtype")}


class _Reader(pickle.Unpickler):
    def find_class(self, module: str, name: str) -> Any:
        """Return a class by its name, if it is one of those that are taken."""
        if (module, name) in ARRAYS:
            return super().find_class(module, name)
        if module.startswith("limbward."):
            found = super().find_class(module, name)
            if isinstance(found, type) and is_dataclass(found):
                return found
        raise pickle.UnpicklingError(f"{module}.{name} has no place in such a file")


def write_plain(path: Path, value: Any) -> None:
    """Write dataclasses, arrays, lists, dicts, texts and numbers; the file is whole or not there.

    Raises
    ------
    LimbwardError
        If it cannot be written.
    """
    with atomic_path(path) as part, part.open("wb") as file:
        pickle.dump(value, file, protocol=PROTOCOL)


def read_plain(path: Path) -> Any:
    """Return what `write_plain` wrote.

    Raises
    ------
    LimbwardError
        If it is not there, damaged, or holds anything else.
    """
    try:
        return _Reader(io.BytesIO(path.read_bytes())).load()
    except Exception as error:  # a damaged pickle may raise anything
        raise LimbwardError(f"{path} cannot be read ({error}).") from error


def write_array(path: Path, array: np.ndarray[Any, Any]) -> None:
    """Write an array that can be read in part; the file is whole or not there."""
    with atomic_path(path) as part, part.open("wb") as file:
        np.save(file, array, allow_pickle=False)


def map_array(path: Path) -> np.ndarray[Any, Any]:
    """Return an array of a file, read as it is used; what is written to it stays in memory.

    Raises
    ------
    LimbwardError
        If it is not there or damaged.
    """
    try:
        return np.asarray(np.load(path, mmap_mode="c", allow_pickle=False))
    except (OSError, ValueError) as error:
        raise LimbwardError(f"{path} cannot be read ({error}).") from error
