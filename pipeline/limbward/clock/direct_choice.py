"""Which instants that are known directly may be right together."""

from __future__ import annotations

from itertools import combinations_with_replacement

import numpy as np
from numpy.typing import NDArray

from limbward.clock.crescent_model import DRIFT_PRIOR
from limbward.clock.evidence import Direct

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SAME_SIGMA = 3.0  # by which they may lie beside one clock
MOST_CHOICES, MOST_PAIRED = 3, 12


def choices(d: Direct | None, close: Mask) -> list[Mask]:
    """Return which instants may be right together: all, those that agree, the others, and none.

    Parameters
    ----------
    d : Direct or None
        M instants.
    close : ndarray of bool, shape (M,)
        Those that are near enough to be of the clock at all.
    """
    if d is None or not close.any():
        return [close]
    found, left = [close], close.copy()
    for _ in range(MOST_CHOICES):
        if not left.any():
            break
        found.append(_agreeing(d, left))
        left = left & ~found[-1]
    found.append(np.zeros(close.size, bool))
    unlike: list[Mask] = []
    for chosen in found:
        if not any((chosen == other).all() for other in unlike):
            unlike.append(chosen)
    return unlike


def _agreeing(d: Direct, among: Mask) -> Mask:
    """Return the most instants that one clock with one drift explains."""
    raw = d.reading_s + 0.5 * d.resolution_s - d.since_greatest_s
    hours, sigma = d.since_greatest_s / 3600.0, np.hypot(d.sigma_s, d.coarseness_s)
    rows = np.flatnonzero(among)
    # Of thousands of GPS tags some at even distances tell all clocks that there are.
    few = rows[np.unique(np.linspace(0, rows.size - 1, MOST_PAIRED).astype(int))]
    best = np.zeros(raw.size, bool)
    for i, j in combinations_with_replacement(few, 2):
        apart = hours[j] - hours[i]
        slope = (raw[j] - raw[i]) / apart if abs(apart) > 1e-9 else 0.0
        if abs(slope) > DRIFT_PRIOR:
            continue
        line = raw[i] + slope * (hours - hours[i])
        agree = among & (np.abs(raw - line) < SAME_SIGMA * sigma)
        if agree.sum() > best.sum():
            best = agree
    return best
