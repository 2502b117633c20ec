"""Small copies of a picture, on which what is wide is computed, and the way back from them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel
from limbward.picture.binning import block_mean

Floats = NDArray[np.float64]


def binned(image: NDArray[np.float32], cell: int) -> Floats:
    """Return means over cells of a picture, which is continued by its edge to whole cells.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
    cell : int
        Side, pixels.
    """
    rows, columns = image.shape
    if cell > 1:
        image = np.pad(image, ((0, -rows % cell), (0, -columns % cell)), mode="edge")
    return np.asarray(block_mean(image, cell), np.float64)


def _cell_at_kernel(pixel: int, cell: int, count: int) -> Any:
    """Return the cell before a pixel's middle, of ``count``, and how far that is from the cell's.

    Beyond the outermost cells' middles nothing changes any more.
    """
    v = min(max((pixel + 0.5) / cell - 0.5, 0.0), count - 1.0)
    k = min(int(v), count - 2)
    return k, v - k


cell_at = kernel(inline="always")(_cell_at_kernel)


def _fill_line_kernel(grid: Any, i: int, part: float, line: Any) -> None:
    """Fill a line with what lies between two rows of a grid, ``part`` of the way from row i on."""
    for j in range(len(line)):
        line[j] = grid[i, j] * (1.0 - part) + grid[i + 1, j] * part


fill_line = kernel(inline="always")(_fill_line_kernel)
