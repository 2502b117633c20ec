"""Frames that are blurred or trailed, told by comparing them with the others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.normal_matrix import inverse
from limbward.radiance.registered import RegisteredFrames

Floats = NDArray[np.float64]

NEAREST, FARTHEST = 1.1, 2.2  # solar radii: where the corona is steep, beside the Moon
RESAMPLING = 0.003  # of the brightness: error of a pixel of the small grid besides noise
LEAST = 1.0  # pixels squared, by which a frame's blur must exceed the others'
SIGMAS = 5.0  # standard errors of it
SCATTERS = 5.0  # and as many times the scatter of all frames
ENOUGH = 2  # sharp frames within a factor of three in exposure that must be left
ALIKE = 3.0
FEWEST = 200  # places


def excess_blur(registered: RegisteredFrames, factor: Floats) -> tuple[Floats, Floats]:
    """Return by how much each frame is more blurred than their mean, and its standard error.

    Parameters
    ----------
    registered : RegisteredFrames
        Without cloud and changes of the sky.
    factor : ndarray, shape (N,)
        True exposures in units of the nominal ones.

    Returns
    -------
    excess, sigma : ndarray, shape (N,)
        Along the direction of most blur, the variance of the point spread beyond the mean, full
        pixels squared; NaN where a frame shows too little of the inner corona.

    Notes
    -----
    A small blur with the covariance ``C`` adds ``C_ij d_i d_j P / 2`` to a picture P (the first
    terms of the moment expansion of a convolution), a shift its gradient. Both are fitted to a
    frame less the mean of all, with a gain.
    """
    n = len(registered.exposure)
    true = factor * registered.exposure
    small = registered.grid.reduced(registered.factor)
    h, w = registered.signal.shape[2:]
    y, x = np.indices((h, w), dtype=np.float64)
    rho = np.hypot(x - small.sun_x, y - small.sun_y) * registered.factor / registered.sun_radius_px
    place = (rho > NEAREST) & (rho < FARTHEST)
    basis = []
    for c in range(3):
        p = registered.predicted[c].astype(np.float64)
        dy, dx = np.gradient(p)
        (yy, _), (xy, xx) = np.gradient(dy), np.gradient(dx)
        basis.append(np.stack([v[place] for v in (p, dx, dy, 0.5 * xx, xy, 0.5 * yy)], axis=1))
    excess, sigma = np.full(n, np.nan), np.full(n, np.nan)
    for k in range(n):
        normal, right, used = np.zeros((6, 6)), np.zeros(6), 0
        for c in range(3):
            p = basis[c][:, 0]
            value = registered.signal[k, c][place].astype(np.float64) / true[k]
            noise = registered.noise[k].variance((p * true[k]).astype(np.float32))
            variance = noise / registered.samples[k] / true[k] ** 2 + (RESAMPLING * p) ** 2
            ok = np.isfinite(value) & np.isfinite(basis[c]).all(axis=1)
            rest = value - p
            ok &= np.abs(rest) < 0.3 * p
            a, weight = basis[c][ok], 1.0 / variance[ok]
            normal += (a.T * weight) @ a
            right += (a.T * weight) @ rest[ok]
            used += int(ok.sum())
        if used < FEWEST:
            continue
        covariance = inverse(normal)
        found = covariance @ right
        matrix = np.array([[found[3], found[4]], [found[4], found[5]]])
        values, vectors = np.linalg.eigh(matrix)
        a, b = vectors[:, -1]
        along = np.array([0.0, 0.0, 0.0, a * a, 2.0 * a * b, b * b])
        excess[k] = values[-1] * registered.factor**2
        sigma[k] = np.sqrt(along @ covariance @ along) * registered.factor**2
    return excess, sigma


def too_blurred(excess: Floats, sigma: Floats, exposure: Floats) -> dict[int, str]:
    """Return the frames to leave out, and why; those only whose place others can take.

    Parameters
    ----------
    excess, sigma : ndarray, shape (N,)
        Of `excess_blur`.
    exposure : ndarray, shape (N,)
    """
    known = np.isfinite(excess)
    if not known.any():
        return {}
    middle = float(np.median(excess[known]))
    scatter = 1.4826 * float(np.median(np.abs(excess[known] - middle)))
    more = np.where(known, excess - middle, 0.0)
    limit = np.maximum(np.maximum(LEAST, SCATTERS * scatter), SIGMAS * np.nan_to_num(sigma))
    bad = more > limit
    out = {}
    for k in np.flatnonzero(bad):
        ratio = np.abs(np.log(exposure / exposure[k]))
        like = known & ~bad & (ratio < np.log(ALIKE))
        # Noise makes all of the shortest exposures look blurred, and none of them worse.
        if like.sum() >= ENOUGH and excess[k] - np.median(excess[like]) > limit[k]:
            out[int(k)] = (
                f"trailed or blurred by {np.sqrt(more[k]):.1f} px (standard deviation) more than "
                "other frames"
            )
    return out
