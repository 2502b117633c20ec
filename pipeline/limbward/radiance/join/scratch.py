"""Arrays on disk while a merge lasts."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


def on_disk(array: NDArray[Any], folder: Path) -> NDArray[Any]:
    """Return an array's values in a file without a name, which ends with its last reader.

    Parameters
    ----------
    array : ndarray
    folder : Path
        Of a file system with room for it.
    """
    with tempfile.TemporaryFile(dir=folder) as file:
        for piece in array.reshape(-1, array.shape[-1]):
            file.write(np.ascontiguousarray(piece).tobytes())
        file.flush()
        mapped = np.memmap(file, dtype=array.dtype, mode="r", shape=array.shape)
    return np.asarray(mapped)
