"""Values between a picture's pixels: three colours by a cubic spline, two masks linearly, at once.

References
----------
M. Unser, A. Aldroubi, M. Eden, *B-spline signal processing*, IEEE Trans. Signal Process. 41 (1993)
821 and 834 (from memory): the coefficients, `scipy.ndimage.spline_filter`, and the weights of four
of them along each axis.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import SUMS, kernel

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

TOUCHED = 0.02  # share of a saturated pixel in a value that counts as saturated


@kernel(fastmath=SUMS)
def sample(
    xs: Floats,
    ys: Floats,
    origin: tuple[int, int],
    last: tuple[int, int],
    splines: Pixels,
    masks: Mask,
    picture: Pixels,
    first: Mask,
    second: Mask,
) -> None:
    """Fill a piece of a picture with what a piece of a frame has at its pixels' places.

    Parameters
    ----------
    xs, ys : ndarray of float64, shape (h, w)
        Places in the frame.
    origin : tuple of int
        Pixel (x, y) of the frame with which its piece begins.
    last : tuple of int
        The frame's last pixel (x, y); beyond, all is 0.
    splines : ndarray of float32, shape (3, H, W)
        Coefficients of the piece of the frame; beyond its sides they are mirrored.
    masks : ndarray of bool, shape (2, H, W)
    picture : ndarray of float32, shape (3, h, w)
        Written; what is below 0 is cut off.
    first, second : ndarray of bool, shape (h, w)
        Written: where that share of a mask is more than `TOUCHED`.
    """
    height, width = splines.shape[1:]
    marked = masks.any()
    across, down = np.empty(4), np.empty(4)
    columns, rows = np.empty(4, np.int64), np.empty(4, np.int64)
    for i in range(xs.shape[0]):
        for j in range(xs.shape[1]):
            x, y = xs[i, j], ys[i, j]
            first[i, j] = False
            second[i, j] = False
            if not (0.0 <= x <= last[0] and 0.0 <= y <= last[1]):
                for c in range(3):
                    picture[c, i, j] = np.float32(0.0)
                continue
            left, top = int(np.floor(x)), int(np.floor(y))
            for weights, at, share, begin, size in (
                (across, columns, x - left, left - 1 - origin[0], width),
                (down, rows, y - top, top - 1 - origin[1], height),
            ):
                rest = 1.0 - share
                weights[0] = rest * rest * rest / 6.0
                weights[1] = (share * share * (share - 2.0) * 3.0 + 4.0) / 6.0
                weights[2] = (rest * rest * (rest - 2.0) * 3.0 + 4.0) / 6.0
                weights[3] = share * share * share / 6.0
                for k in range(4):
                    place = abs(begin + k)
                    if place >= size:
                        place = max(2 * (size - 1) - place, 0)
                    at[k] = place
            for c in range(3):
                total = 0.0
                for k in range(4):
                    line = 0.0
                    for m in range(4):
                        line += across[m] * splines[c, rows[k], columns[m]]
                    total += down[k] * line
                picture[c, i, j] = np.float32(max(total, 0.0))
            if marked:
                wx, wy = x - left, y - top
                one, other = 0.0, 0.0
                for k, v in ((1, 1.0 - wy), (2, wy)):
                    for m, u in ((1, 1.0 - wx), (2, wx)):
                        one += u * v * masks[0, rows[k], columns[m]]
                        other += u * v * masks[1, rows[k], columns[m]]
                first[i, j] = one > TOUCHED
                second[i, j] = other > TOUCHED
