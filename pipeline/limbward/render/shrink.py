"""Pictures made smaller by whole numbers."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]


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
    parts = cut.reshape(len(picture), rows, factor, columns, factor)
    return parts.mean(axis=(2, 4), dtype=np.float32), factor
