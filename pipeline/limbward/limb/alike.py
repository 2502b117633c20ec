"""What limbs in frames of like exposure are all off by: glare moves them, and clipping."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

LEVELS_A_STOP = 2.0
LEAST_LIMBS = 2  # of one exposure, to be off alike
# The glare of the corona lies over the Moon's edge, and more of it on one side; the more of the
# corona is clipped, the further it moves the limb. In hard simulated sessions limbs that are stated
# to 0.15 to 0.2 px are 0.3 to 0.9 px off so, but from one frame of an exposure to the next by 0.05
# to 0.1 px only.
COMMON_SIGMA = 3.0  # what they may share, of what is stated beyond the error of the best limbs
OWN_SHARE = 0.4  # what each is off by besides, of the same


@dataclass(frozen=True)
class Alike:
    """Errors of N limbs, parted in what L exposures share and what is each limb's own.

    Attributes
    ----------
    own : ndarray, shape (N,)
        Standard errors of their own, pixels.
    of : ndarray of int, shape (N,)
        Which of the shared errors is in a limb; -1 for none.
    prior : ndarray, shape (L,)
        Standard errors of what is shared, pixels.
    """

    own: Floats
    of: Counts
    prior: Floats

    def of_frames(self, shared: Floats) -> Floats:
        """Return shared errors, shape (L,), frame by frame, shape (N,)."""
        return np.asarray(np.append(shared, 0.0)[self.of])


def exposure_levels(exposure_s: Floats) -> Counts:
    """Return a number for each exposure that is the same for those within half a stop.

    Parameters
    ----------
    exposure_s : ndarray, shape (N,)
    """
    return np.round(LEVELS_A_STOP * np.log2(exposure_s)).astype(np.int64)


def alike_errors(sigma: Floats, level: Counts | None, measured: NDArray[np.bool_]) -> Alike:
    """Part what limbs are off by.

    Parameters
    ----------
    sigma : ndarray, shape (N,)
        As stated, pixels.
    level : ndarray of int or None, shape (N,)
        Exposures; None where nothing is said of them, and nothing is shared.
    measured : ndarray of bool, shape (N,)
    """
    own, of = sigma.copy(), np.full(sigma.size, -1)
    if level is None or not measured.any():
        return Alike(own, of, np.zeros(0))
    found = np.unique(level[measured])
    usual = np.array([np.median(sigma[measured & (level == one)]) for one in found])
    prior: list[float] = []
    for one, middle in zip(found, usual, strict=True):
        rows = np.flatnonzero(measured & (level == one))
        excess = np.sqrt(max(middle**2 - usual.min() ** 2, 0.0))
        if rows.size < LEAST_LIMBS or excess <= 0.0:
            continue
        of[rows] = len(prior)
        rest = np.maximum(sigma[rows] ** 2 - excess**2, usual.min() ** 2)
        own[rows] = np.sqrt(rest + (OWN_SHARE * excess) ** 2)
        prior.append(COMMON_SIGMA * excess)
    return Alike(own, of, np.array(prior))
