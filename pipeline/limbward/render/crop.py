"""Cutting a finished picture to a rectangle given from the Sun's centre."""

from __future__ import annotations

import math
from dataclasses import dataclass

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


def to_ratio(
    first: int, last: int, other: int, ratio: float, middle: float | None = None
) -> tuple[int, int]:
    """Return a side cut at its ends so that it is no longer than ``ratio`` times the other.

    Parameters
    ----------
    first, last : int
        First pixel of the side, and the one past its last.
    other : int
        Length of the other side.
    ratio : float
        Wanted, of this side to the other.
    middle : float, optional
        The pixel that is to come as near to the middle as it can; that of the side if not given.

    Examples
    --------
    >>> to_ratio(0, 300, 100, 1.5)
    (75, 225)
    >>> to_ratio(0, 100, 100, 1.5)
    (0, 100)
    >>> to_ratio(0, 300, 100, 1.5, 249.5)
    (150, 300)
    """
    length = max(1, round(other * ratio))
    if last - first <= length:
        return first, last
    centre = (first + last - 1) / 2.0 if middle is None else middle
    start = min(max(math.floor(centre - (length - 1) / 2.0), first), last - length)
    return start, start + length


def window(
    size: tuple[int, int],
    box: Box | None,
    ratio: str | None,
    radius_px: float,
    sun: tuple[float, float] | None = None,
) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the rows and columns of a picture (first, past the last) that are kept.

    Parameters
    ----------
    size : tuple of int
        Rows and columns of the picture.
    box : Box or None
    ratio : str or None
        Width to height, such as ``3:2``; cut from the ends of the side that is too long, in a box
        evenly, otherwise so that the Sun comes as near to the middle as it can.
    radius_px : float
        Of the Sun.
    sun : (float, float), optional
        Its centre, pixels (x, y); the picture's middle if not given.
    """
    rows, columns = (0, size[0]), (0, size[1])
    x, y = sun or ((size[1] - 1) / 2.0, (size[0] - 1) / 2.0)
    across, down = (x, y) if box is None else (None, None)
    if box is not None:
        rows = span(size[0], box.top, box.bottom, radius_px, y)
        columns = span(size[1], box.left, box.right, radius_px, x)
    if ratio is not None:
        width, height = (int(part) for part in ratio.split(":"))
        high, wide = rows[1] - rows[0], columns[1] - columns[0]
        rows, columns = (
            to_ratio(*rows, wide, height / width, down),
            to_ratio(*columns, high, width / height, across),
        )
    return rows, columns


def span(length: int, before: float, after: float, radius_px: float, sun: float) -> tuple[int, int]:
    """Return the first pixel and the one past the last of a side, `SMALLEST_PX` at least.

    Examples
    --------
    >>> span(101, 2.0, 1.0, 10.0, 50.0)
    (30, 61)
    """
    smallest = min(SMALLEST_PX, length)
    first = min(max(round(sun - before * radius_px), 0), length - smallest)
    last = max(min(round(sun + after * radius_px) + 1, length), first + smallest)
    return first, last
