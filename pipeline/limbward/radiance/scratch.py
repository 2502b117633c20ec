"""Arrays on disk while a stage lasts."""

from __future__ import annotations

import mmap
import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

# Makes an array of a shape and type: ``numpy.empty``, or `room_on_disk` where memory is short.
Room = Callable[[tuple[int, ...], DTypeLike], NDArray[Any]]

ROWS = 256  # gone through at a time: 10 MB of each plane at 61 megapixels


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
        if hasattr(os, "posix_fallocate"):
            # On a full disk an error here, a signal when pages of a file with holes are written.
            size = int(np.prod(shape)) * np.dtype(dtype).itemsize
            os.posix_fallocate(file.fileno(), 0, max(size, 1))
        return np.memmap(file, dtype=dtype, mode="w+", shape=shape)


def let_go(*arrays: NDArray[Any] | None) -> None:
    """Take the pages of arrays on disk out of this process's memory, where the system can.

    Their values stay. Without it the pages count as memory in use until the system needs them.
    """
    for array in arrays:
        pages = getattr(array, "_mmap", None)
        if pages is not None and hasattr(mmap, "MADV_DONTNEED"):
            pages.madvise(mmap.MADV_DONTNEED)


def by_rows(height: int, *arrays: NDArray[Any] | None, rows: int = ROWS) -> Iterator[slice]:
    """Yield rows of pictures, some after the others; after each those on disk are let go.

    Parameters
    ----------
    height : int
    *arrays : ndarray
        What is read or written meanwhile.
    rows : int
        At a time.
    """
    for top in range(0, height, rows):
        yield slice(top, min(top + rows, height))
        let_go(*arrays)


def thinned(image: NDArray[Any], step: int) -> NDArray[Any]:
    """Return every so many pixels of a picture (H, W); what is on disk of it is let go."""
    rows = step * max(1, ROWS // step)
    return np.concatenate(
        [image[part][::step, ::step].copy() for part in by_rows(image.shape[0], image, rows=rows)]
    )


def parked(picture: NDArray[Any], room: Room) -> NDArray[Any]:
    """Return a picture (C, H, W) in an array of ``room``; one plane in C colours stays one."""
    same = picture.shape[0] > 1 and picture.strides[0] == 0
    planes = picture[:1] if same else picture
    out = room(planes.shape, picture.dtype)
    for rows in by_rows(picture.shape[1], out, picture):
        out[:, rows] = planes[:, rows]
    return np.broadcast_to(out, picture.shape, subok=True) if same else out


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
