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


def cut(picture: Pixels, box: Box | None, radius_px: float, ratio: str | None = None) -> Pixels:
    """Return the part of a picture that lies in a box, in a ratio of its sides; see `window`.

    Parameters
    ----------
    picture : ndarray, shape (C, H, W)
        Turned as it is shown, with the Sun's centre in its middle.
    box : Box or None
        Edges beyond the picture's are those of the picture.
    radius_px : float
        Of the Sun.
    ratio : str, optional

    Returns
    -------
    ndarray, shape (C, h, w)
        A view.
    """
    rows, columns = window((picture.shape[1], picture.shape[2]), box, ratio, radius_px)
    return picture[:, slice(*rows), slice(*columns)]


def to_ratio(first: int, last: int, other: int, ratio: float) -> tuple[int, int]:
    """Return a side cut on both ends so that it is no longer than ``ratio`` times the other.

    Parameters
    ----------
    first, last : int
        First pixel of the side, and the one past its last.
    other : int
        Length of the other side.
    ratio : float
        Wanted, of this side to the other.

    Examples
    --------
    >>> to_ratio(0, 300, 100, 1.5)
    (75, 225)
    >>> to_ratio(0, 100, 100, 1.5)
    (0, 100)
    """
    surplus = last - first - max(1, round(other * ratio))
    if surplus <= 0:
        return first, last
    return first + surplus // 2, last - (surplus - surplus // 2)


def window(
    size: tuple[int, int], box: Box | None, ratio: str | None, radius_px: float
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the rows and columns of a picture (first, past the last) that are kept.

    Parameters
    ----------
    size : tuple of int
        Rows and columns of the picture, with the Sun's centre in its middle.
    box : Box or None
    ratio : str or None
        Width to height, such as ``3:2``; cut from both ends of the side that is too long.
    radius_px : float
        Of the Sun.
    """
    rows, columns = (0, size[0]), (0, size[1])
    if box is not None:
        rows = span(size[0], box.top, box.bottom, radius_px)
        columns = span(size[1], box.left, box.right, radius_px)
    if ratio is not None:
        width, height = (int(part) for part in ratio.split(":"))
        high, wide = rows[1] - rows[0], columns[1] - columns[0]
        rows, columns = (
            to_ratio(*rows, wide, height / width),
            to_ratio(*columns, high, width / height),
        )
    return rows, columns


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
