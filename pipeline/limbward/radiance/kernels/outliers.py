"""Satellites, birds and cosmic rays, told by comparing frames with one another."""

from __future__ import annotations

import numpy as np

from limbward.compiled import SUMS, kernel
from limbward.radiance.kernels.inputs import Counts, Pixels, Row, Sums, Trial

OUTLIER_FRAMES = 5  # that must cover a pixel before one of them is called wrong
OUTLIER_SIGMA = 6.0
SORTED = OUTLIER_FRAMES + 1  # values whose median is looked for: of a batch, and the mean before
# Which two rows to put in order, one after the other, to sort six, with the least number of steps
# (D. E. Knuth, *The Art of Computer Programming* 3, 5.3.4). What sorts all rows of zeros and ones
# sorts any.
NETWORK = (
    (0, 5), (1, 3), (2, 4), (1, 2), (3, 4), (0, 3), (2, 5), (0, 1), (2, 3), (4, 5), (1, 2), (3, 4),
)  # fmt: skip
OUTLIER_PART = 0.05  # of the radiance: seeing and 0.1 pixel of registration at steep edges
# Frames whose samples lie right at an edge show it sharper than the others, and all of them differ
# there: so by how much they do counts too, the two that differ most left aside.
OUTLIER_SCATTER = 6.0
SIGMA2, PART2 = np.float32(OUTLIER_SIGMA**2), np.float32(OUTLIER_PART**2)
SCATTER2 = np.float32(OUTLIER_SCATTER**2)
SCATTER_FRAMES = 4  # of which two are left aside
ORDER = frozenset({"contract", "nsz"})  # sorting compares infinities


@kernel(fastmath=SUMS, inner=True)
def refer(
    count: Counts, light: Pixels, weight: Pixels, variance: Pixels, reference: Pixels, limit: Pixels
) -> None:
    """Fill what a row's values are compared with, and what they may differ by, squared."""
    for x in range(count.size):
        w = weight[x]
        enough = (count[x] >= OUTLIER_FRAMES) & (w > np.float32(0.0))
        inverse = np.float32(1.0) / (w if enough else np.float32(1.0))
        mean = light[x] * inverse
        reference[x] = mean
        allowed = variance[x] * inverse * inverse * SIGMA2 + PART2 * mean * mean
        limit[x] = allowed if enough else np.float32(1e36)


@kernel(fastmath=SUMS, inner=True)
def differ(
    values: Pixels,
    weights: Pixels,
    reference: Pixels,
    total: Pixels,
    worst: Pixels,
    second: Pixels,
    number: Pixels,
) -> None:
    """Add to the rows of sums how a frame differs: squares, the two largest, and frames."""
    one, none = np.float32(1.0), np.float32(0.0)
    for x in range(values.size):
        off = values[x] - reference[x]
        square = off * off if weights[x] > none else none
        second[x] = max(second[x], min(worst[x], square))
        worst[x] = max(worst[x], square)
    for x in range(values.size):
        off = values[x] - reference[x]
        total[x] += off * off if weights[x] > none else none
        number[x] += one if weights[x] > none else none


@kernel(fastmath=SUMS, inner=True)
def allow(total: Pixels, worst: Pixels, second: Pixels, number: Pixels, limit: Pixels) -> None:
    """Add to what values may differ by the scatter of all but the two worst."""
    for x in range(limit.size):
        left = max(total[x] - worst[x] - second[x], np.float32(0.0))
        others = number[x] - np.float32(2.0)
        some = np.float32(1.0) if others >= np.float32(SCATTER_FRAMES - 2) else np.float32(0.0)
        limit[x] += some * SCATTER2 * left / max(others, np.float32(1.0))


@kernel(fastmath=SUMS, inner=True)
def check(
    values: Pixels, errors: Pixels, weights: Pixels, reference: Pixels, limit: Pixels, good: Pixels
) -> None:
    """Set ``good`` to 0 where a row's values are too far from what they are compared with."""
    for x in range(values.size):
        off = values[x] - reference[x]
        wrong = (off * off > SIGMA2 * errors[x] + limit[x]) & (weights[x] > np.float32(0.0))
        good[x] = np.float32(0.0) if wrong else good[x]


@kernel(fastmath=ORDER, inner=True)
def swap(low: Pixels, high: Pixels) -> None:
    """Put the smaller of two rows' values into the first and the larger into the second."""
    for x in range(low.size):
        a, b = low[x], high[x]
        low[x] = min(a, b)
        high[x] = max(a, b)


@kernel(fastmath=ORDER, inner=True)
def middle(
    row: Row,
    c: int,
    begin: int,
    end: int,
    light: Pixels,
    weight: Pixels,
    count: Counts,
    ranks: Pixels,
    reference: Pixels,
    limit: Pixels,
) -> None:
    """Compare with the median where fewer than five frames were merged before.

    It is that of the frames at hand, at most five, and of the mean before; where there are three of
    these or more, and with what was merged five frames, it becomes the reference. It is that of
    columns ``begin`` to before ``end`` of colour ``c``.
    """
    infinite, none, one = np.float32(np.inf), np.float32(0.0), np.float32(1.0)
    size = count.size
    ranks[:, :size] = infinite
    number, here = ranks[SORTED, :size], ranks[SORTED + 1, :size]
    here[:] = none
    for b in range(row.values.shape[0]):
        value, w = row.values[b, c, begin:end], row.weights[b, c, begin:end]
        target = ranks[b, :size]
        for x in range(count.size):
            target[x] = value[x] if w[x] > none else infinite
            here[x] += one if w[x] > none else none
    target = ranks[SORTED - 1, :size]
    for x in range(count.size):
        known = weight[x] > none
        mean = light[x] / (weight[x] if known else one)
        target[x] = mean if known else infinite
        number[x] = here[x] + (one if known else none)
    for k in range(len(NETWORK)):
        swap(ranks[NETWORK[k][0], :size], ranks[NETWORK[k][1], :size])
    median, second = ranks[0, :size], ranks[1, :size]
    third, fourth = ranks[2, :size], ranks[3, :size]
    for x in range(count.size):
        n = number[x]
        low = third[x] if n > np.float32(4.0) else second[x]
        high = second[x] if n < np.float32(4.0) else third[x]
        high = fourth[x] if n > np.float32(5.0) else high
        median[x] = np.float32(0.5) * (low + high)
    for x in range(count.size):
        before, enough = np.float32(count[x]), np.float32(OUTLIER_FRAMES)
        use = (before < enough) & (number[x] > np.float32(2.0)) & (before + here[x] >= enough)
        here[x] = one if use else none
    for x in range(count.size):
        reference[x] = median[x] if here[x] > none else reference[x]
        limit[x] = PART2 * median[x] * median[x] if here[x] > none else limit[x]


@kernel(fastmath=SUMS, inner=True)
def judge(y: int, begin: int, end: int, left: int, row: Row, sums: Sums, trial: Trial) -> None:
    """Set ``row.good`` to 0 where a frame is an outlier, else to 1, along a row.

    The reference is the mean of what was merged before, if five frames are in it; else the median
    of the frames at hand and that mean, which one wrong value among five cannot move far. The row's
    first column is the column ``left`` of row ``y`` of the sums.
    """
    n_frames = row.values.shape[0]
    before = sums.counted[y, left + begin : left + end]
    reference, limit = trial.reference[begin:end], trial.limit[begin:end]
    total, worst = trial.total[begin:end], trial.worst[begin:end]
    second, number = trial.second[begin:end], trial.number[begin:end]
    fewest = before[0]
    for x in range(before.size):
        fewest = min(fewest, before[x])
    for b in range(n_frames):
        row.good[b, begin:end] = np.float32(1.0)
    for c in range(3):
        light = sums.light[c, y, left + begin : left + end]
        weight = sums.weight[c, y, left + begin : left + end]
        variance = sums.variance[c, y, left + begin : left + end]
        refer(before, light, weight, variance, reference, limit)
        if fewest < OUTLIER_FRAMES:
            middle(row, c, begin, end, light, weight, before, trial.ranks, reference, limit)
        total[:] = worst[:] = second[:] = number[:] = np.float32(0.0)
        for b in range(n_frames):
            values, weights = row.values[b, c, begin:end], row.weights[b, c, begin:end]
            differ(values, weights, reference, total, worst, second, number)
        allow(total, worst, second, number, limit)
        for b in range(n_frames):
            values, errors = row.values[b, c, begin:end], row.errors[b, c, begin:end]
            weights = row.weights[b, c, begin:end]
            check(values, errors, weights, reference, limit, row.good[b, begin:end])
