"""What the kernels of the merge are handed: named tuples of arrays, which numba takes as they are.

B is the number of frames, P that of planes, H and W are a frame's or the result's height and width,
h and w those of the small grid, T the columns of a piece of work.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Bits = NDArray[np.uint8]
Flags = NDArray[np.bool_]
Numbers = NDArray[np.int64]
Steps = NDArray[np.int32]
Counts = NDArray[np.uint16]
BLOCK = 16  # pixels, over which the scatter between frames is summed
Samples = NDArray[Any]  # of the camera's type


class BatchSamples(NamedTuple):
    """Samples of frames alike in size, filters and calibration.

    Attributes
    ----------
    raw : ndarray, shape (B, P, rows, W)
        ADU.
    black : ndarray of float32, shape (P, th, tw)
        ADU, by the place in the filter's tile.
    dark, flat : ndarray of float32, shape (P, rows, W)
        ADU, and the inverse of the flat; empty where there is none.
    blocked : ndarray of uint8, shape (B, rows, W)
        Bits 0, 1, 2 are set where R, G, B are left out.
    blocked_rows : ndarray of bool, shape (B, rows)
        Rows in which ``blocked`` is of any meaning.
    first, height : int
        The row of a frame that is the first here, a multiple of th, and how many a frame has.
        Places are counted in the whole frame, so that no rounding depends on what is cut.
    """

    raw: Samples
    black: Pixels
    dark: Pixels
    flat: Pixels
    blocked: Bits
    blocked_rows: Flags
    first: int
    height: int


class Views(NamedTuple):
    """How each frame saw the sky.

    Attributes
    ----------
    affine : ndarray, shape (B, 2, 3)
        From pixels of the result to those of the frame.
    moon : ndarray, shape (B, 4)
        x, y, radius in the frame, and over how many pixels weights fall to nothing there.
    inverse_exposure : ndarray of float32, shape (B,)
        1/s.
    offset : ndarray of float32, shape (B, 3)
        Signal that is not the common corona, ADU.
    noise : ndarray of float32, shape (B, 3)
        Gain in ADU an electron, the square of the read noise in ADU, and of the spread of the
        pixels' sensitivities.
    top : ndarray of float32, shape (B, 3)
        Logarithm of the radiance at the frame's ceiling.
    """

    affine: Floats
    moon: Floats
    inverse_exposure: Pixels
    offset: Pixels
    noise: Pixels
    top: Pixels


class Table(NamedTuple):
    """The arrays of `limbward.radiance.taps.Taps` under the same names."""

    first: Steps
    dy: Steps
    dx: Steps
    weight: Pixels
    power: Pixels
    plane: Steps


class Maps(NamedTuple):
    """What is given on the small grid.

    Attributes
    ----------
    weight : ndarray of float32, shape (B, 3, h, w)
    predicted : ndarray of float32, shape (3, h, w)
        Logarithm of the radiance.
    sharp : ndarray of float32, shape (3, h, w)
        0 for the least noise, 1 for sharpness.
    veil : ndarray of float32, shape (B, 4, h, w)
        The inverse of each frame's transmission, and the sky of R, G, B to be subtracted, ADU/s;
        empty where there is none.
    affine : ndarray, shape (3,)
        Scale, x0 and y0 from pixels of the result to the small grid.
    """

    weight: Pixels
    predicted: Pixels
    sharp: Pixels
    veil: Pixels
    affine: Floats


class Sums(NamedTuple):
    """The running sums, (3, H, W) each, and the frames counted, (H, W).

    ``scatter`` and ``expected``, (3, ceil(H / BLOCK), ceil(W / BLOCK)), are the weighted squares by
    which frames differ, and what the noise makes of them. ``first`` is the row of the result that
    is their first, a multiple of the rows of a piece of work.
    """

    light: Pixels
    weight: Pixels
    variance: Pixels
    counted: Counts
    scatter: Pixels
    expected: Pixels
    first: int


class Piece(NamedTuple):
    """A piece of work: rows ``upper`` to before ``lower`` of the result, from column ``left`` on.

    ``inside`` says whether only the Moon's disc is merged, ``reject`` whether outliers are left
    out.
    """

    upper: int
    lower: int
    left: int
    inside: bool
    reject: bool


class Memory(NamedTuple):
    """Memory for a piece of work.

    Attributes
    ----------
    columns : ndarray of int64, shape (B, 2)
        Of each frame, those of the row at hand that have any weight.
    veil : ndarray of float32, shape (4, T)
    power, sharp : ndarray of float32, shape (3, T)
    part : ndarray of float32, shape (T,)
    squares, noise : ndarray of float32, shape (3, T)
        By how much frames differ in the rows of a block, and may by their noise.
    rings, which, base, linear, run
        Those of `Ring`, the first three with an axis for the frames before.
    """

    columns: Numbers
    veil: Pixels
    power: Pixels
    sharp: Pixels
    part: Pixels
    squares: Pixels
    noise: Pixels
    rings: Pixels
    which: Numbers
    base: Numbers
    linear: Pixels
    run: Pixels


class Cells(NamedTuple):
    """Where a piece of work lies on the small grid, and memory for two rows of it.

    Attributes
    ----------
    affine : ndarray, shape (3,)
        Scale, x0 and y0 from the piece's columns and the result's rows to the small grid.
    start : ndarray of int64, shape (w,)
        Column of the piece at which each cell begins.
    part : ndarray of float32, shape (T,)
        How far each column is to the next cell.
    row : ndarray of float32, shape (4, w)
    level : ndarray of float32, shape (w,)
    """

    affine: Floats
    start: Numbers
    part: Pixels
    row: Pixels
    level: Pixels


class Ring(NamedTuple):
    """The rows of one frame that were made linear last.

    Attributes
    ----------
    rows : ndarray of float32, shape (P, RING, tw, n)
        Row y is at ``y % RING``, column ``base + q + tw * j`` at ``[q, j]``.
    which : ndarray of int64, shape (RING,)
        The frame's row at each place, or -1.
    base : int
        The first column, a multiple of tw.
    linear : ndarray of float32, shape (n * tw,)
        Memory for a row.
    run : ndarray of float32, shape (tw, RUN)
        Memory for what is interpolated.
    """

    rows: Pixels
    which: Numbers
    base: int
    linear: Pixels
    run: Pixels


class Row(NamedTuple):
    """A row of a piece of work in all frames.

    Attributes
    ----------
    values, errors, weights : ndarray of float32, shape (B, 3, T)
        Radiances, the squares of their errors, and weights.
    good : ndarray of float32, shape (B, T)
        0 where a frame is an outlier, else 1.
    """

    values: Pixels
    errors: Pixels
    weights: Pixels
    good: Pixels


class Trial(NamedTuple):
    """Memory for the search for outliers along a row.

    Attributes
    ----------
    reference, limit : ndarray of float32, shape (T,)
        What values are compared with, and what they may differ by, squared.
    total, worst, second, number : ndarray of float32, shape (T,)
        Sum of the squared differences, the two largest, and how many there are.
    ranks : ndarray of float32, shape (SORTED + 2, T)
        Values to be sorted, and how many there are.
    """

    reference: Pixels
    limit: Pixels
    total: Pixels
    worst: Pixels
    second: Pixels
    number: Pixels
    ranks: Pixels
