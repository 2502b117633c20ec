"""How well crescents tell a clock: each reading is the interval that its truncation leaves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.clock.crescent_model import AIR, NORTH, UP, Model
from limbward.clock.evidence import Direct
from limbward.clock.posterior import log_box_normal, sample_posterior, two_boxes_normal
from limbward.normal_matrix import inverse

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

OUTLIER_SHARE = 0.005  # of frames, even among those that fit
SEED = 20260812  # draws of the posterior; the same evidence gives the same result


def posterior(
    model: Model, p: Floats, used: Mask, free: Mask, site_km: float
) -> tuple[Floats, Floats]:
    """Return mean and covariance of the parameters, each reading taken as an interval.

    Parameters
    ----------
    model : Model
    p : ndarray, shape (P,)
        Least-squares solution.
    used : ndarray of bool, shape (N,)
        Frames that count.
    free : ndarray of bool, shape (P,)
        Parameters that are not fixed; the others have neither error nor correlation.
    site_km : float
        Standard error of the site along each axis.

    Returns
    -------
    mean, covariance : ndarray, shapes (P,), (P, P)

    Notes
    -----
    The vectors are linear in the parameters over the few sigmas that matter. Across the Moon's
    path an error is normal; along it, uniform plus normal. Errors of site and air are normal and
    small against what else is normal, or they are most of the error: the camera's parameters are
    sampled with both held, and what they add is propagated.
    """
    c, d = model.crescents, model.direct
    prior = model.prior(site_km)
    shaken = free.copy()
    shaken[NORTH : AIR + 1] = False  # sampled with these held
    miss, vectors, direct0, instants = model.linearised(p)
    miss, direct1 = miss[used], instants[:, shaken]
    velocity = model.velocity_px_s(p)[used]
    speed = np.maximum(np.hypot(*velocity.T), 1e-12)
    along = velocity / speed[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    sigma = c.sigma_px[used]
    a0, x0 = np.sum(miss * along, axis=1), np.sum(miss * across, axis=1)
    a2 = np.einsum("ni,nik->nk", along, vectors[used])
    x2 = np.einsum("ni,nik->nk", across, vectors[used])
    a1, x1 = a2[:, shaken], x2[:, shaken]
    # What scatter the fit leaves beyond the stated errors (clouds, a soft limb) widens them.
    wide = sigma * max(1.0, 1.4826 * float(np.median(np.abs(x0 / sigma))))
    half = 0.5 * speed * c.resolution_s[used]
    broad = np.log(OUTLIER_SHARE) - np.log(2 * np.pi * 400.0 * wide**2)
    size0, slope = float(model.scale_miss(p)), model.scale_slope()
    # What the angle is known to beforehand is nothing: its prior only keeps it from running away.
    centre = np.where(np.arange(p.size) == UP, p, 0.0)[shaken]

    def log_density(points: Floats) -> Floats:
        delta = points - p[shaken]
        a, x = a0 + delta @ a1.T, x0 + delta @ x1.T
        each = log_box_normal(a, half, wide) - 0.5 * (x / wide) ** 2
        each -= 0.5 * np.log(2 * np.pi) + np.log(wide)
        total = np.sum(np.logaddexp(each, broad), axis=1)
        total -= 0.5 * (size0 + delta @ slope[shaken]) ** 2
        total -= 0.5 * np.sum(((points - centre) / prior[shaken]) ** 2, axis=1)
        if d is not None:
            total += np.sum(log_direct(d, direct0 + delta @ direct1.T), axis=1)
        return np.asarray(total)

    rows = [a2 / np.hypot(wide, half / np.sqrt(3.0))[:, None], x2 / wide[:, None], slope[None]]
    if d is not None:
        rows.append(instants / np.hypot(d.sigma_s, d.coarseness_s)[:, None])
    stacked = np.concatenate(rows)
    information = stacked.T @ stacked + np.diag(1.0 / prior**2)
    held = inverse(information[np.ix_(shaken, shaken)])
    mean = np.where(free, p, 0.0)
    covariance = np.zeros((p.size, p.size))
    mean[shaken], sampled, _ = sample_posterior(
        log_density, p[shaken], held, np.random.default_rng(SEED)
    )
    covariance[np.ix_(shaken, shaken)] = sampled
    _add_doubt(covariance, information, held, shaken, free)
    return mean, covariance


def _add_doubt(
    covariance: Floats, information: Floats, held: Floats, shaken: Mask, free: Mask
) -> None:
    """Add what the errors of site and air make to the covariance of what was sampled without."""
    doubtful = free & ~shaken
    if not doubtful.any():
        return
    full = np.zeros_like(covariance)
    full[np.ix_(free, free)] = inverse(information[np.ix_(free, free)])
    doubt = full[np.ix_(doubtful, doubtful)]
    follows = -held @ information[np.ix_(shaken, doubtful)]
    covariance[np.ix_(shaken, shaken)] += follows @ doubt @ follows.T
    covariance[np.ix_(doubtful, doubtful)] = doubt
    covariance[np.ix_(shaken, doubtful)] = follows @ doubt
    covariance[np.ix_(doubtful, shaken)] = doubt @ follows.T


def log_direct(d: Direct, miss_s: Floats) -> Floats:
    """Return the log-density of reading less clock, shape (..., M), for instants known directly."""
    halves = 0.5 * d.resolution_s, 0.5 * d.utc_resolution_s
    density = two_boxes_normal(miss_s, *halves, d.sigma_s)
    return np.asarray(np.log(density + OUTLIER_SHARE / 3600.0))
