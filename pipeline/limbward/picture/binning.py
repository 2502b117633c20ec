"""Means and their errors over square blocks of pixels."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel

Pixels = NDArray[np.float32]


def _bin_mean(image: NDArray[Any], factor: int, square: bool, out: Pixels) -> None:
    for row in range(out.shape[0]):
        for column in range(out.shape[1]):
            total = 0.0
            for y in range(row * factor, (row + 1) * factor):
                for x in range(column * factor, (column + 1) * factor):
                    v = image[y, x]
                    total += v * v if square else v
            n = float(factor * factor)
            out[row, column] = np.float32(np.sqrt(total) / n if square else total / n)


bin_mean = kernel(_bin_mean)


def block_mean(image: NDArray[Any], side: int, dtype: type = np.float64) -> NDArray[Any]:
    """Return the means over square blocks; rows and columns beyond the last whole one are left out.

    Parameters
    ----------
    image : ndarray, shape (h, w)
    side : int
        Of a block, pixels.
    dtype : type
        In which is summed and returned.
    """
    h, w = (n // side for n in image.shape)
    if side == 1:
        return image.astype(dtype)
    # Strided sums: a mean over two axes of numpy's takes four times as long.
    rows, out = np.zeros((h, w * side), dtype), np.zeros((h, w), dtype)
    for k in range(side):
        rows += image[k : h * side : side, : w * side]
    for k in range(side):
        out += rows[:, k::side]
    out /= side**2
    return out
