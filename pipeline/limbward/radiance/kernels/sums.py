"""Signals turned into radiances with errors, and added to the sums."""

from __future__ import annotations

import numpy as np

from limbward.compiled import SUMS, kernel
from limbward.radiance.kernels.inputs import BLOCK, Counts, Floats, Pixels
from limbward.radiance.kernels.noise import variance_of

# Of two frames, one with a sample right at the place and one whose samples lie around it, the
# second is the less noisy and the first the sharper. Weights go from the inverse of the power of
# the taps (0.25 to 1) to its cube, which the factor makes as large on the whole.
SHARPER = np.float32(16.0)
STRETCH = 64  # pixels over which a frame that is hardly turned keeps to a row


@kernel(fastmath=SUMS, inner=True)
def finish(
    values: Pixels,
    errors: Pixels,
    weights: Pixels,
    power: Pixels,
    noise: Pixels,
    offset: np.float32,
    inverse: np.float32,
    sharp: Pixels,
) -> None:
    """Turn signals in ADU into radiances with the squares of their errors.

    ``noise`` (3,) is that of `limbward.radiance.kernels.inputs.Views`, ``inverse`` that of the
    exposure. The arrays are of one row.
    """
    gain, read2, spread2 = noise[0], noise[1], noise[2]
    # In two loops, and below too: LLVM makes no vector code of one that has more than a few arrays.
    square = inverse * inverse
    for x in range(values.size):
        value = values[x]
        errors[x] = variance_of(value, gain, read2, spread2) * power[x] * square
        values[x] = (value - offset) * inverse
    for x in range(values.size):
        p, s = power[x], sharp[x]
        weights[x] *= (np.float32(1.0) - s) / p + s * SHARPER * p * p * p


@kernel(fastmath=SUMS, inner=True)
def uncover(values: Pixels, errors: Pixels, inverse: Pixels, sky: Pixels) -> None:
    """Divide a row by the frame's transmission and subtract its own sky."""
    for x in range(values.size):
        values[x] = values[x] * inverse[x] - sky[x]
    for x in range(values.size):
        errors[x] *= inverse[x] * inverse[x]


@kernel(fastmath=SUMS, inner=True)
def differ_by(
    values: Pixels,
    errors: Pixels,
    weights: Pixels,
    good: Pixels,
    light: Pixels,
    weight: Pixels,
    variance: Pixels,
    part: Pixels,
    squares: Pixels,
    noise: Pixels,
) -> None:
    """Add to a row of sums how a frame differs from the mean before, and may by its noise.

    The sums of squares about the final mean grow so (D. H. D. West, Comm. ACM 22 (1979) 532).
    ``part`` is memory for a row.
    """
    one, none = np.float32(1.0), np.float32(0.0)
    # In three loops: LLVM makes no vector code of one that has more than a few arrays.
    for x in range(values.size):
        w, before = weights[x] * good[x], weight[x]
        both = w + before
        part[x] = w * before / (both if both > none else one)
    for x in range(values.size):
        before = weight[x]
        off = values[x] - light[x] / (before if before > none else one)
        squares[x] += part[x] * off * off
    for x in range(values.size):
        before = weight[x]
        inverse = one / (before if before > none else one)
        noise[x] += part[x] * (errors[x] + variance[x] * inverse * inverse)


@kernel(fastmath=SUMS, inner=True)
def collect(column: int, sums: Pixels, blocks: Pixels) -> None:
    """Add a row of sums, the first of them of a column of the result, to blocks; empty the row."""
    for x in range(sums.size):
        blocks[(column + x) // BLOCK] += sums[x]
        sums[x] = np.float32(0.0)


@kernel(inner=True)
def nearest(x: int, y: int, a: Floats) -> tuple[int, int]:
    """Return the row and column of a frame that are nearest to a place of the result."""
    fx = a[0, 0] * x + a[0, 1] * y + a[0, 2]
    fy = a[1, 0] * x + a[1, 1] * y + a[1, 2]
    return int(fy + 0.5), int(fx + 0.5)


@kernel(fastmath=SUMS, inner=True)
def grow(y: int, begin: int, end: int, a: Floats, first: int, flat: Pixels, errors: Pixels) -> None:
    """Raise the errors where the flat, whose first row is that of the frame, raised the signal."""
    x = begin
    while x < end:
        after = min(x + STRETCH, end)
        row, column = nearest(x, y, a)
        last_row, last_column = nearest(after - 1, y, a)
        if row == last_row and last_column - column == after - 1 - x:
            factor, target = flat[row - first, column : last_column + 1], errors[x:after]
            for i in range(target.size):
                target[i] *= factor[i]
        else:  # the frame is turned, or a step to the next row or column lies within
            for i in range(x, after):
                row, column = nearest(i, y, a)
                errors[i] *= flat[row - first, column]
        x = after


@kernel(fastmath=SUMS, inner=True)
def add(
    values: Pixels,
    errors: Pixels,
    weights: Pixels,
    good: Pixels,
    light: Pixels,
    weight: Pixels,
    variance: Pixels,
) -> None:
    """Add a row of one colour of one frame to the sums."""
    for x in range(values.size):
        light[x] += weights[x] * good[x] * values[x]
    for x in range(values.size):
        w = weights[x] * good[x]
        weight[x] += w
        variance[x] += w * w * errors[x]


@kernel(fastmath=SUMS, inner=True)
def tally(red: Pixels, green: Pixels, blue: Pixels, good: Pixels, count: Counts) -> None:
    """Count a frame at the pixels where the weight of any colour is above 0."""
    for x in range(count.size):
        seen = (red[x] + green[x] + blue[x]) * good[x] > np.float32(0.0)
        count[x] += np.uint16(1) if seen else np.uint16(0)
