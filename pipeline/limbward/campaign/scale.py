"""One photometric scale for all stations, by the corona that they saw together.

Each station's brightness is ``a`` times the mean corona plus ``b``: a holds exposure, lens and air,
b what is left of the sky. Both are found by alternating least squares, in which every station adds
to a few sums over cells, so that their number costs time and no memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.campaign.view import Floats

MISMATCH = 0.01  # of the brightness; beyond noise, to which two stations agree in a cell
HUBER = 2.0  # standard errors, beyond which a cell counts less
ROUNDS, SETTLED = 60, 1e-5
FEWEST = 60  # cells that a station must have in common with the others


@dataclass(frozen=True)
class Scales:
    """Gains and skies of N stations.

    Attributes
    ----------
    gain, offset : ndarray, shape (N,)
        The common scale is ``gain * light + offset``; NaN where a station has too little in common
        with the others.
    gain_sigma, offset_sigma : ndarray, shape (N,)
        Standard errors, relative to the mean of all stations.
    misfit : ndarray, shape (N,)
        By what part of the brightness a station's cells scatter about the mean corona, beyond
        their noise.
    mean : ndarray, shape (R, A)
        The corona on the common scale.
    """

    gain: Floats
    offset: Floats
    gain_sigma: Floats
    offset_sigma: Floats
    misfit: Floats
    mean: Floats


def common_scale(light: Floats, sigma: Floats) -> Scales:
    """Return the scale on which all stations' coronas agree.

    Parameters
    ----------
    light, sigma : ndarray, shape (N, R, A)
        Of one colour, in cells; NaN where there is no value.

    Returns
    -------
    Scales
        The unit is the median station's, in the logarithm, and the sky that all have in common
        cannot be told from the corona: the median offset is zero.
    """
    n = len(light)
    flat = light.reshape(n, -1)
    with np.errstate(invalid="ignore"):
        good = np.isfinite(flat) & (flat > 0) & np.isfinite(sigma.reshape(n, -1))
    shared = good.sum(axis=0) >= min(2, n)
    usable = np.array([(g & shared).sum() >= FEWEST for g in good])
    if n == 1:
        usable[:] = True
    a, b = np.full(n, np.nan), np.full(n, np.nan)
    # A first scale: the median ratio to the first station that sees much.
    if not usable.any():
        nothing = np.full(n, np.nan)
        return Scales(nothing, nothing, nothing, nothing, nothing, np.full(light.shape[1:], np.nan))
    base = int(np.argmax(np.where(usable, good.sum(axis=1), -1)))
    for i in np.flatnonzero(usable):
        both = good[i] & good[base]
        ratio = np.median(flat[i, both] / flat[base, both]) if both.any() else 1.0
        a[i], b[i] = ratio, 0.0
    variance = np.where(good, np.square(sigma.reshape(n, -1)) + (MISMATCH * flat) ** 2, np.inf)
    before = a.copy()
    errors = np.full((n, 2), np.nan)
    misfit = np.full(n, np.nan)
    for _ in range(ROUNDS):
        mean, weights = _mean(flat, variance, good, a, b, usable)
        for i in np.flatnonzero(usable):
            a[i], b[i], errors[i], misfit[i] = _line(
                mean, flat[i], variance[i], sigma[i].ravel(), good[i] & np.isfinite(mean)
            )
            in_it = good[i] & (weights > 0)
            share = float(np.median(a[i] ** 2 / variance[i, in_it] / weights[in_it]))
            # A station is part of the mean that it is compared with.
            misfit[i] /= max(1.0 - share, 0.2)
        unit, sky = _gauge(a, b)
        a, b = a / unit, b - a / unit * sky
        moved = np.nanmax(np.abs(np.log(a / before)))
        before = a.copy()
        if moved < SETTLED:
            break
    mean, _ = _mean(flat, variance, good, a, b, usable)
    # Of 1 / a and of -b / a.
    return Scales(
        1.0 / a, -b / a, errors[:, 0] / a**2, errors[:, 1] / a, misfit,
        mean.reshape(light.shape[1:]),
    )  # fmt: skip


def _gauge(a: Floats, b: Floats) -> tuple[float, float]:
    """Return the unit and the sky of the mean corona that make the median station's 1 and 0."""
    unit = float(np.exp(np.nanmedian(np.log(a))))
    return unit, float(np.nanmedian(b / (a / unit)))


def _mean(
    flat: Floats,
    variance: Floats,
    good: NDArray[np.bool_],
    a: Floats,
    b: Floats,
    usable: NDArray[np.bool_],
) -> tuple[Floats, Floats]:
    """Return the weighted mean of all stations on the common scale, and its weights.

    NaN where none has a value.
    """
    total, weights = np.zeros(flat.shape[1]), np.zeros(flat.shape[1])
    for i in np.flatnonzero(usable):
        if not a[i] > 0:
            continue
        weight = np.where(good[i], a[i] ** 2 / variance[i], 0.0)
        total += weight * np.where(good[i], (flat[i] - b[i]) / a[i], 0.0)
        weights += weight
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(weights > 0, total / weights, np.nan), weights


def _line(
    mean: Floats, light: Floats, variance: Floats, sigma: Floats, good: NDArray[np.bool_]
) -> tuple[float, float, Floats, float]:
    """Return slope and intercept of a station's light against the mean, errors, and misfit."""
    x, y, w0 = mean[good], light[good], 1.0 / variance[good]
    design = np.stack([x, np.ones_like(x)], axis=1)
    # Scaled, so that both columns are of one size.
    size = np.array([np.sqrt(np.mean(x**2)), np.sqrt(np.mean(x**2))])
    weight = w0.copy()
    for _ in range(3):
        normal = (design / size).T @ ((design / size) * weight[:, None])
        found = np.linalg.solve(normal, (design / size).T @ (weight * y)) / size
        off = np.abs(y - design @ found) * np.sqrt(w0)
        weight = w0 * np.minimum(1.0, HUBER / np.maximum(off, 1e-9))
    residual = y - design @ found
    chi2 = float(np.sum(weight * residual**2) / max(len(y) - 2, 1))
    covariance = np.linalg.inv(normal) / np.outer(size, size) * chi2
    with np.errstate(invalid="ignore", divide="ignore"):
        beyond = np.median(np.abs(residual / y)) * 1.4826
        noise = np.median(sigma[good] / np.abs(y))
    misfit = float(np.sqrt(max(beyond**2 - noise**2, 0.0)))
    return float(found[0]), float(found[1]), np.sqrt(np.diag(covariance)), misfit
