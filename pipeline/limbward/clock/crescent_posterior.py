"""How well crescents tell a clock: each reading is the interval that its truncation leaves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.clock.crescent_model import PRIOR, SCALE, UP, Model
from limbward.clock.evidence import Direct
from limbward.clock.posterior import log_box_normal, sample_posterior, two_boxes_normal
from limbward.normal_matrix import inverse

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

OUTLIER_SHARE = 0.005  # of frames, even among those that fit
SEED = 20260812  # draws of the posterior; the same evidence gives the same result


def posterior(model: Model, p: Floats, used: Mask, free: Mask) -> tuple[Floats, Floats]:
    """Return mean and covariance of the free parameters, each reading taken as an interval.

    Parameters
    ----------
    model : Model
    p : ndarray, shape (5,)
        Least-squares solution.
    used : ndarray of bool, shape (N,)
        Frames that count.
    free : ndarray of bool, shape (5,)
        Parameters that are not fixed; K of them.

    Returns
    -------
    mean, covariance : ndarray, shapes (K,), (K, K)

    Notes
    -----
    The vectors are linear in the parameters over the few sigmas that matter. Across the Moon's
    path an error is normal; along it, uniform plus normal.
    """
    c, d = model.crescents, model.direct
    miss, vectors, direct0, instants = model.linearised(p)
    miss, direct1 = miss[used], instants[:, free]
    velocity = model.velocity_px_s(p)[used]
    speed = np.maximum(np.hypot(*velocity.T), 1e-12)
    along = velocity / speed[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    sigma = c.sigma_px[used]
    a0, x0 = np.sum(miss * along, axis=1), np.sum(miss * across, axis=1)
    a1 = np.einsum("ni,nik->nk", along, vectors[used])[:, free]
    x1 = np.einsum("ni,nik->nk", across, vectors[used])[:, free]
    # What scatter the fit leaves beyond the stated errors (clouds, a soft limb) widens them.
    wide = sigma * max(1.0, 1.4826 * float(np.median(np.abs(x0 / sigma))))
    half = 0.5 * speed * c.resolution_s[used]
    broad = np.log(OUTLIER_SHARE) - np.log(2 * np.pi * 400.0 * wide**2)
    size0, size1 = float(model.scale_miss(p)), 1.0 / model.scale_sigma
    # What the angle is known to beforehand is nothing: its prior only keeps it from running away.
    centre = np.where(np.arange(5) == UP, p, 0.0)[free]
    prior = PRIOR[free]
    scale = int(np.flatnonzero(np.flatnonzero(free) == SCALE)[0])

    def log_density(points: Floats) -> Floats:
        delta = points - p[free]
        a, x = a0 + delta @ a1.T, x0 + delta @ x1.T
        each = log_box_normal(a, half, wide) - 0.5 * (x / wide) ** 2
        each -= 0.5 * np.log(2 * np.pi) + np.log(wide)
        total = np.sum(np.logaddexp(each, broad), axis=1)
        total -= 0.5 * (size0 + delta[:, scale] * size1) ** 2
        total -= 0.5 * np.sum(((points - centre) / prior) ** 2, axis=1)
        if d is not None:
            total += np.sum(log_direct(d, direct0 + delta @ direct1.T), axis=1)
        return np.asarray(total)

    rows = np.concatenate([a1 / np.hypot(wide, half / np.sqrt(3.0))[:, None], x1 / wide[:, None]])
    information = rows.T @ rows + np.diag(1.0 / prior**2)
    information[scale, scale] += size1**2
    if d is not None:
        rows = direct1 / np.hypot(d.sigma_s, d.coarseness_s)[:, None]
        information += rows.T @ rows
    mean, covariance, _ = sample_posterior(
        log_density, p[free], inverse(information), np.random.default_rng(SEED)
    )
    return mean, covariance


def log_direct(d: Direct, miss_s: Floats) -> Floats:
    """Return the log-density of reading less clock, shape (..., M), for instants known directly."""
    halves = 0.5 * d.resolution_s, 0.5 * d.utc_resolution_s
    density = two_boxes_normal(miss_s, *halves, d.sigma_s)
    return np.asarray(np.log(density + OUTLIER_SHARE / 3600.0))
