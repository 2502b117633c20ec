"""Arrays on disk while a stage lasts."""

from __future__ import annotations

import mmap
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray


def room_on_disk(
    shape: tuple[int, ...], dtype: DTypeLike, folder: Path | None = None
) -> NDArray[Any]:
    """Return an array in a file without a name, whose pages the system can take from memory.

    Parameters
    ----------
    shape : tuple of int
    dtype : dtype
    folder : Path, optional
        Of a file system with room for it; that of temporary files if not given.
    """
    with tempfile.TemporaryFile(dir=folder) as file:  # the map keeps it open
        return np.memmap(file, dtype=dtype, mode="w+", shape=shape)


def let_go(*arrays: NDArray[Any] | None) -> None:
    """Take the pages of arrays on disk out of this process's memory, where the system can.

    Their values stay. Without it the pages count as memory in use until the system needs them.
    """
    for array in arrays:
        pages = getattr(array, "_mmap", None)
        if pages is not None and hasattr(mmap, "MADV_DONTNEED"):
            pages.madvise(mmap.MADV_DONTNEED)


def on_disk(array: NDArray[Any], folder: Path) -> NDArray[Any]:
    """Return an array's values in a file without a name, which ends with its last reader.

    Parameters
    ----------
    array : ndarray
        One that lies on disk already is returned as it is.
    folder : Path
        Of a file system with room for it.
    """
    if isinstance(array, np.memmap):
        return array
    with tempfile.TemporaryFile(dir=folder) as file:
        for piece in array.reshape(-1, array.shape[-1]):
            file.write(np.ascontiguousarray(piece).tobytes())
        file.flush()
        mapped = np.memmap(file, dtype=array.dtype, mode="r", shape=array.shape)
    return np.asarray(mapped)
