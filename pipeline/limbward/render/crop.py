"""Cutting a finished picture to a rectangle given from the Sun's centre."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]

SMALLEST_PX = 16  # of a side: less is no picture


@dataclass(frozen=True)
class Box:
    """How far a picture reaches from the Sun's centre to its four edges, solar radii.

    A negative number puts the edge on the other side of the centre.
    """

    left: float
    right: float
    top: float
    bottom: float


def cut(picture: Pixels, box: Box, radius_px: float) -> Pixels:
    """Return the part of a picture that lies in a box.

    Parameters
    ----------
    picture : ndarray, shape (C, H, W)
        Turned as it is shown, with the Sun's centre in its middle.
    box : Box
        Edges beyond the picture's are those of the picture.
    radius_px : float
        Of the Sun.

    Returns
    -------
    ndarray, shape (C, h, w)
        A view.
    """
    rows, columns = picture.shape[1:]
    top, bottom = span(rows, box.top, box.bottom, radius_px)
    left, right = span(columns, box.left, box.right, radius_px)
    return picture[:, top:bottom, left:right]


def span(length: int, before: float, after: float, radius_px: float) -> tuple[int, int]:
    """Return the first pixel and the one past the last of a side, `SMALLEST_PX` at least.

    Examples
    --------
    >>> span(101, 2.0, 1.0, 10.0)
    (30, 61)
    """
    middle = (length - 1) / 2.0
    smallest = min(SMALLEST_PX, length)
    first = min(max(round(middle - before * radius_px), 0), length - smallest)
    last = max(min(round(middle + after * radius_px) + 1, length), first + smallest)
    return first, last
