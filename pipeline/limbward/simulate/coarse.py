"""Small copies of a picture, on which what is wide is computed, and the way back from them."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel

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
    h, w = image.shape[0] // cell, image.shape[1] // cell
    # Row by row first: summing along both axes at once takes four times as long.
    lines = np.add.reduceat(image, np.arange(0, h * cell, cell), axis=0, dtype=np.float64)
    sums = np.add.reduceat(lines, np.arange(0, w * cell, cell), axis=1)
    return np.asarray(sums / cell**2)


def _cell_at_kernel(pixel: int, cell: int, count: int) -> Any:
    """Return the cell before a pixel's middle, of ``count``, and how far that is from the cell's.

    Beyond the outermost cells' middles nothing changes any more.
    """
    v = min(max((pixel + 0.5) / cell - 0.5, 0.0), count - 1.0)
    k = min(int(v), count - 2)
    return k, v - k


cell_at = kernel(inline="always")(_cell_at_kernel)


def _between_kernel(grid: Any, i: int, fi: float, j: int, fj: float) -> float:
    """Interpolate linearly between four neighbours of a grid."""
    upper = grid[i, j] * (1.0 - fj) + grid[i, j + 1] * fj
    lower = grid[i + 1, j] * (1.0 - fj) + grid[i + 1, j + 1] * fj
    return float(upper * (1.0 - fi) + lower * fi)


between = kernel(inline="always")(_between_kernel)
