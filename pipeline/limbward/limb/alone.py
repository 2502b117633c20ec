"""Frames of totality placed by each other alone, where clock, site or orientation tell nothing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.limb.adjust import Pairs, core_of, relative_sigma
from limbward.limb.session import Session
from limbward.normal_matrix import inverse

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ROUNDS = 12
OUTLIER_SIGMA = 5.0
AGREED_SIGMA = 2.0  # within which an observation keeps its full weight
LEAST_SIGMA_PX = 1e-3


@dataclass(frozen=True)
class Alone:
    """Where N frames' Suns are if nothing but the frames is believed.

    Attributes
    ----------
    x, y : ndarray, shape (N,)
        Sun centres, pixels. Their mean place is that of the Moon, which is off by ``common``.
    relative : ndarray, shape (N,)
        Standard errors against the mean of the frames that the corona ties together (``core``).
    common : float
        Standard error that all of them share.
    core : ndarray of bool
    limb_miss : ndarray, shape (N,)
        Distance of each measured Moon from where the others put it.
    """

    x: Floats
    y: Floats
    relative: Floats
    common: float
    core: Mask
    limb_miss: Floats


def place_alone(
    s: Session, pairs: Pairs, timed: Mask, *, speed_px_s: float, furthest_px: float
) -> Alone:
    """Place frames by the corona and by the Moon, whose path is straight and not known.

    Parameters
    ----------
    s : Session
        Its times need not be right, only their differences.
    pairs : Pairs
        May be empty.
    timed : ndarray of bool, shape (N,)
        Which frames' times are known against each other.
    speed_px_s : float
        Of the Moon against the Sun.
    furthest_px : float
        That the centres of Sun and Moon are apart in totality at most.

    Notes
    -----
    Unknown are the Suns, and the Moon's mean offset and velocity, of which only the sizes are
    known. Both axes have the same normal equations. Weights fall off for what disagrees, as in
    `limbward.limb.adjust`.
    """
    n = s.rows.size
    known = np.isfinite(s.time_s) & timed
    t = np.where(known, s.time_s, 0.0)
    t = np.where(known, t - (t[known].mean() if known.any() else 0.0), 0.0)
    # Without a time a Moon may be anywhere on its path.
    limb_sigma = np.hypot(s.moon_sigma, np.where(known, LEAST_SIGMA_PX, furthest_px))
    good = np.isfinite(pairs.dx + pairs.dy + pairs.sigma) & (pairs.sigma > 0)
    good &= pairs.first != pairs.second
    k = pairs.first.size
    design = np.zeros((n + k + 2, n + 2))
    frames, rows = np.arange(n), n + np.arange(k)
    design[frames, frames] = design[frames, n] = 1.0
    design[frames, n + 1] = t
    design[rows, pairs.first] += 1.0
    design[rows, pairs.second] -= 1.0
    design[-2, n] = design[-1, n + 1] = 1.0
    right = np.zeros((n + k + 2, 2))
    right[:n] = np.column_stack([s.moon_x, s.moon_y])
    right[n : n + k] = np.where(good[:, None], np.column_stack([pairs.dx, pairs.dy]), 0.0)
    sizes = [max(furthest_px / np.sqrt(2.0), LEAST_SIGMA_PX), max(speed_px_s, 1e-6)]
    sigma = np.concatenate([limb_sigma, np.where(good, pairs.sigma, 1.0), sizes])
    on = np.concatenate([np.ones(n), good, [1.0, 1.0]])
    weight = on.copy()
    for _ in range(ROUNDS):
        root = np.sqrt(weight) / sigma
        weighted = design * root[:, None]
        covariance = inverse(weighted.T @ weighted)
        solution = covariance @ (weighted.T @ (right * root[:, None]))
        miss = np.hypot(*(right - design @ solution).T)
        far = miss / sigma
        fallen = (AGREED_SIGMA / np.maximum(far, AGREED_SIGMA)) ** 2
        weight = on * fallen
        weight[-2:] = 1.0
    used = good & (far[n : n + k] < OUTLIER_SIGMA)
    core = core_of(pairs, used, n)
    if not core.any():
        # Of frames that nothing ties, the one of middle exposure shows the most.
        core[np.argsort(s.exposure_s, kind="stable")[(n - 1) // 2]] = True
    relative = relative_sigma(covariance[:n, :n], core)
    return Alone(
        solution[:n, 0], solution[:n, 1], relative,
        float(max(furthest_px / np.sqrt(2.0), LEAST_SIGMA_PX)), core, miss[:n],
    )  # fmt: skip
