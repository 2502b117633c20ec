"""Pictures made smaller by whole numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import in_threads, kernel

Pixels = NDArray[np.float32]


@kernel
def means(first: int, last: int, picture: NDArray[Any], factor: int, out: Pixels) -> None:
    """Write rows of the means of ``factor`` by ``factor`` pixels."""
    part = np.float32(1.0 / (factor * factor))
    for row in range(first, last):
        for c in range(out.shape[0]):
            for column in range(out.shape[2]):
                total = np.float32(0.0)
                for y in range(row * factor, (row + 1) * factor):
                    for x in range(column * factor, (column + 1) * factor):
                        total += np.float32(picture[c, y, x])
                out[c, row, column] = total * part if factor > 1 else total


def shrink(
    picture: NDArray[Any], longest: int = 0, *, factor: int | None = None
) -> tuple[Pixels, int]:
    """Return a picture (C, H, W) made smaller by a whole number, and that number.

    Parameters
    ----------
    picture : ndarray, shape (C, H, W)
    longest : int
        Pixels that its longer side may have.
    factor : int, optional
        The number, instead.
    """
    if factor is None:
        factor = max(-(-max(picture.shape[1:]) // longest), 1)
    rows, columns = (n // factor for n in picture.shape[1:])
    # The middle stays the middle: what is left over is cut off on both sides.
    y, x = ((n - m * factor) // 2 for n, m in zip(picture.shape[1:], (rows, columns), strict=True))
    cut = picture[:, y : y + rows * factor, x : x + columns * factor]
    out = np.empty((len(picture), rows, columns), np.float32)
    in_threads(means, rows, cut, factor, out)
    return out, factor
