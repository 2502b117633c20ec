"""Where the cells of a sheet stand: on a line, an arc or a grid, with totality in the middle."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Layout = Literal["line", "arc", "grid"]

ARC_RISE = 0.22  # of the chord: the Sun's path over a landscape, not a semicircle


def evenly(values: Floats, count: int) -> NDArray[np.int64]:
    """Return the indices of the frames nearest to even steps.

    Parameters
    ----------
    values : ndarray, shape (N,)
        Time, or anything else that should change by even steps; NaN is never chosen.
    count : int

    Returns
    -------
    ndarray
        At most ``count`` different indices, in order of their values.
    """
    known = np.flatnonzero(np.isfinite(values))
    if known.size <= count:
        return known[np.argsort(values[known], kind="stable")]
    chosen: list[int] = []
    for target in np.linspace(values[known].min(), values[known].max(), count):
        left = np.setdiff1d(known, chosen)
        chosen.append(int(left[np.argmin(np.abs(values[left] - target))]))
    return np.array(sorted(chosen, key=lambda i: values[i]), np.int64)


def places(layout: Layout, count: int, cell: float) -> tuple[Floats, tuple[float, float]]:
    """Return the centres of cells and the size that holds them all.

    Parameters
    ----------
    layout : {'line', 'arc', 'grid'}
        The arc rises in the middle, as the Sun does; the grid is filled row by row.
    count : int
    cell : float
        Side of a cell, pixels; neighbours do not overlap.

    Returns
    -------
    centres : ndarray, shape (count, 2)
        x right and y down.
    size : tuple of float
        Width and height.
    """
    if layout == "grid":
        # Of the widths up to twice the height the one that leaves the fewest cells empty.
        widths = range(math.ceil(math.sqrt(count)), math.ceil(math.sqrt(2 * count)) + 1)
        columns = min(widths, key=lambda c: (-count % c, c))
        rows = math.ceil(count / columns)
        row, column = np.divmod(np.arange(count), columns)
        # An unfilled last row stands in the middle.
        last = count - (rows - 1) * columns
        shift = np.where(row == rows - 1, 0.5 * (columns - last), 0.0)
        at = np.column_stack([column + shift + 0.5, row + 0.5])
        return at * cell, (columns * cell, rows * cell)
    if layout == "line" or count < 3:
        x = (np.arange(count) + 0.5) * cell
        return np.column_stack([x, np.full(count, 0.5 * cell)]), (count * cell, cell)
    # Even steps along a circle through both ends and the top; its chord is as long as it takes
    # for neighbours to be a cell apart.
    half_angle = 2.0 * math.atan(2.0 * ARC_RISE)
    radius = cell / (2.0 * math.sin(half_angle / (count - 1)))
    angle = np.linspace(-half_angle, half_angle, count)
    x = np.asarray(radius * np.sin(angle), float)
    y = np.asarray(radius * (1.0 - np.cos(angle)), float)
    x = x - x.min() + 0.5 * cell
    return np.column_stack([x, y + 0.5 * cell]), (
        float(x.max()) + 0.5 * cell,
        float(y.max()) + cell,
    )
