"""Where a clock was set, from how much it read late or early in each frame."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

CAP = 25.0  # chi-square of a frame that fits no piece
CHANGE = 32.0  # chi-square that a setting of the clock must save
LEAST_PIECE = 2  # frames on each side of one more setting
MOST_LEVELS = 24
ROUNDS = 4
STOPPED = -1800.0  # s/h; a clock that loses more than half of all time does not run


@dataclass(frozen=True)
class Pieces:
    """A clock in pieces of one drift.

    Attributes
    ----------
    cost : float
        Bounded chi-square, with ``CHANGE`` for each setting.
    piece : ndarray of int, shape (N,)
        0 for the frames of the first.
    offset_s : ndarray, shape (K,)
        Of each piece, at the epoch.
    drift : float
        Seconds an hour.
    fits : ndarray of bool, shape (N,)
    """

    cost: float
    piece: Counts
    offset_s: Floats
    drift: float
    fits: NDArray[np.bool_]


def find_pieces(late_s: Floats, sigma_s: Floats, t_s: Floats, order: Floats) -> Pieces:
    """Return the pieces of a clock.

    Parameters
    ----------
    late_s, sigma_s : ndarray, shape (N,)
        Reading less true time, and its standard error.
    t_s : ndarray, shape (N,)
        True time from the epoch.
    order : ndarray, shape (N,)
        Numbers that grow in the order of taking; the pieces are runs in it.

    Notes
    -----
    The drift is the median of what it is from frame to frame, since few neighbours have a setting
    between them; then offsets that several frames share are levels, and the cheapest way through
    the frames from level to level is found (A. J. Viterbi, IEEE Trans. Inf. Theory 13 (1967) 260),
    a change costing more than a frame that fits nowhere.
    """
    at = np.argsort(order, kind="stable")
    late, sigma, t = late_s[at], sigma_s[at], t_s[at]
    drift = _drift(late, sigma, t)
    level = np.zeros(late.size, np.int64)
    for _ in range(ROUNDS):
        flat = late - drift * t / 3600.0
        total, level, offsets = _levels(flat, sigma)
        piece = np.append(0, np.cumsum(np.diff(level) != 0))
        fits = np.abs(flat - offsets[level]) < 5.0 * sigma
        drift = _pooled(late, sigma, t, piece, fits, drift)
    flat = late - drift * t / 3600.0
    means = np.array(
        [_mean(flat[piece == k], sigma[piece == k]) for k in range(int(piece[-1]) + 1)]
    )
    back = np.empty(at.size, np.int64)
    back[at] = np.arange(at.size)
    fits = np.abs(flat - means[piece]) < 5.0 * sigma
    return Pieces(total, piece[back], means, drift, fits[back])


def another_piece(
    late_s: Floats, sigma_s: Floats, t_s: Floats, order: Floats, piece: Counts
) -> tuple[float, float]:
    """Return the first order of one more piece, and by how much chi-square would drop.

    Parameters
    ----------
    late_s, sigma_s : ndarray, shape (N,)
        Residuals of a fit, and their standard errors.
    t_s, order : ndarray, shape (N,)
        As for `find_pieces`.
    piece : ndarray of int, shape (N,)
        The pieces that there are.

    Notes
    -----
    A small setting passes for drift, more so where the clock was set near one end.
    """
    kinds = np.unique(piece)
    base = np.column_stack([piece[:, None] == kinds, t_s / 3600.0]) / sigma_s[:, None]
    left = late_s / sigma_s
    fit, *_ = np.linalg.lstsq(base, left, rcond=None)
    left = left - base @ fit
    # What is left of a step once pieces and drift have taken their part of it.
    begins = np.unique(order)[LEAST_PIECE : 1 - LEAST_PIECE]
    best, gain = 0.0, 0.0
    for begin in begins:
        step = (order >= begin) / sigma_s
        fit, *_ = np.linalg.lstsq(base, step, rcond=None)
        step = step - base @ fit
        size = float(step @ step)
        drop = float(step @ left) ** 2 / size if size > 1e-9 else 0.0
        if drop > gain:
            best, gain = float(begin), drop
    return best, gain


def _drift(late: Floats, sigma: Floats, t: Floats) -> float:
    """Return the median drift between neighbours, weighed by how well they tell it."""
    best = np.zeros(0), np.zeros(0)
    for reach in (1, 2):
        apart = t[reach:] - t[:-reach]
        tells = np.abs(apart) > 30.0
        slope = 3600.0 * (late[reach:] - late[:-reach])[tells] / apart[tells]
        error = np.hypot(sigma[reach:], sigma[:-reach])[tells] / np.abs(apart[tells])
        best = np.append(best[0], slope), np.append(best[1], 1.0 / error)
    slope, weight = best
    if not slope.size:
        return 0.0
    order = np.argsort(slope)
    half = np.searchsorted(np.cumsum(weight[order]), 0.5 * weight.sum())
    return float(slope[order][min(int(half), slope.size - 1)])


def _levels(flat: Floats, sigma: Floats) -> tuple[float, Counts, Floats]:
    """Return the cost of the cheapest way through the frames, each one's level, and the levels."""
    offsets: list[float] = []
    left = np.ones(flat.size, bool)
    while left.any() and len(offsets) < MOST_LEVELS:
        # The level that most frames not yet explained lie near.
        centres = flat[left]
        room = 3.0 * np.hypot(sigma[left], np.median(sigma))
        near = np.abs(centres[:, None] - centres[None, :]) < room[:, None]
        best = int(np.argmax(near.sum(axis=0)))
        chosen = np.flatnonzero(left)[near[:, best]]
        offsets.append(_mean(flat[chosen], sigma[chosen]))
        left[chosen] = False
    level_s = np.array(offsets)
    price = np.minimum(((flat[:, None] - level_s) / sigma[:, None]) ** 2, CAP)
    total = price[0]
    came = np.zeros(price.shape, np.int64)
    for i in range(1, flat.size):
        from_best = int(np.argmin(total))
        change = total[from_best] + CHANGE
        came[i] = np.where(total <= change, np.arange(level_s.size), from_best)
        total = np.minimum(total, change) + price[i]
    level = np.empty(flat.size, np.int64)
    level[-1] = int(np.argmin(total))
    for i in range(flat.size - 1, 0, -1):
        level[i - 1] = came[i, level[i]]
    return float(total.min()), level, level_s


def _pooled(
    late: Floats, sigma: Floats, t: Floats, piece: Counts, fits: NDArray[np.bool_], drift: float
) -> float:
    """Return the drift by all pieces together."""
    above = below = 0.0
    for k in range(int(piece[-1]) + 1):
        here = fits & (piece == k)
        if here.sum() < 2:
            continue
        weight = 1.0 / sigma[here] ** 2
        hours = t[here] / 3600.0
        hours = hours - np.average(hours, weights=weight)
        above += float(np.sum(weight * hours * late[here]))
        below += float(np.sum(weight * hours**2))
    return above / below if below > 0 else drift


def _mean(values: Floats, sigma: Floats) -> float:
    """Return the mean of the values that lie near their median."""
    middle = float(np.median(values))
    near = np.abs(values - middle) < 5.0 * sigma
    if not near.any():
        return middle
    return float(np.average(values[near], weights=1.0 / sigma[near] ** 2))
