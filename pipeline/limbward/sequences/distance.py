"""How far a mask's pixels are from its edge, on both sides of it.

References
----------
P. F. Felzenszwalb, D. P. Huttenlocher, *Distance transforms of sampled functions*, Theory of
Computing 8 (2012) 415: the lower envelope of parabolas, one for each pixel of a row.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import in_threads, kernel
from limbward.radiance.scratch import Room, by_rows

Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]


@kernel
def down_columns(first: int, last: int, mask: Mask, forwards: bool, out: Pixels) -> None:
    """Write rows of distances, in its column, from each pixel to the next of the other kind.

    From above, and then from below; the rows before have to be there.
    """
    height, width = mask.shape
    for k in range(first, last):
        y = k if forwards else height - 1 - k
        above = y - 1 if forwards else y + 1
        for x in range(width):
            far = np.float32(np.inf)
            if k > 0:
                same = mask[y, x] == mask[above, x]
                far = out[above, x] + np.float32(1.0) if same else np.float32(1.0)
            out[y, x] = far if forwards else min(far, out[y, x])


@kernel
def along_rows(first: int, last: int, mask: Mask, out: Pixels) -> None:
    """Turn rows of distances in columns into those in any direction, negative inside the mask."""
    width = mask.shape[1]
    height_of = np.empty(width)
    place = np.empty(width, np.int64)
    begin = np.empty(width + 1)
    found = np.empty(width)
    for y in range(first, last):
        for inside in (False, True):
            count = 0
            for x in range(width):
                far = float(out[y, x]) if mask[y, x] == inside else 0.0
                if far == np.inf:
                    continue
                high = far * far
                start = -np.inf
                while count > 0:
                    other = place[count - 1]
                    start = (high + x * x - height_of[count - 1] - other * other) / (
                        2.0 * (x - other)
                    )
                    if start > begin[count - 1]:
                        break
                    count -= 1
                    start = -np.inf
                height_of[count] = high
                place[count] = x
                begin[count] = start
                count += 1
            if count == 0:
                for x in range(width):
                    found[x] = np.inf if mask[y, x] == inside else found[x]
                continue
            k = 0
            for x in range(width):
                while k + 1 < count and begin[k + 1] <= x:
                    k += 1
                if mask[y, x] == inside:
                    found[x] = np.sqrt(height_of[k] + (x - place[k]) ** 2)
        for x in range(width):
            out[y, x] = np.float32(-found[x] if mask[y, x] else found[x])


def apart(mask: Mask, room: Room = np.empty) -> Pixels:
    """Return the distances of pixels' centres from the nearest of the other kind.

    Parameters
    ----------
    mask : ndarray of bool, shape (h, w)
        In memory.
    room : callable
        Makes the result.

    Returns
    -------
    ndarray of float32, shape (h, w)
        Negative inside the mask; infinite where all pixels are of one kind.

    Examples
    --------
    >>> apart(np.array([[False, False, True, True, True]])).tolist()
    [[2.0, 1.0, -1.0, -2.0, -3.0]]
    """
    out = room(mask.shape, np.float32)
    whole = np.asarray(out)
    for forwards in (True, False):
        for rows in by_rows(len(mask), out):
            down_columns(rows.start, rows.stop, mask, forwards, whole)
    for rows in by_rows(len(mask), out):
        in_threads(along_rows, rows.stop - rows.start, mask, whole, first=rows.start)
    return out
