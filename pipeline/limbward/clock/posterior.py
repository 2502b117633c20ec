"""Probabilities of truncated readings, and a sampler for a handful of parameters."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from limbward.normal_matrix import spectrum

Floats = NDArray[np.float64]

LEAST_EFFECTIVE = 10.0  # points a parameter, with fewer of which a sample tells no covariance


def log_box_normal(e: Floats, half_width: Floats, sigma: Floats) -> Floats:
    """Return the logarithm of the density of a uniform plus a normal error.

    Parameters
    ----------
    e : ndarray
        Error.
    half_width : ndarray
        The uniform part lies between minus and plus this; 0 leaves it out.
    sigma : ndarray
        Standard deviation of the normal part.

    Notes
    -----
    (Phi((e + h)/s) - Phi((e - h)/s)) / 2h, taken in the tail where both terms are small. A clock
    that is read to whole seconds is off by a uniform error; treated as a normal one, frames taken
    at a steady whole-second pace would seem to average it away, which they do not.
    """
    e = np.abs(e)
    h = np.maximum(half_width, 1e-3 * sigma)  # narrower than this is no box
    upper, lower = (h - e) / sigma, (-h - e) / sigma
    difference = np.asarray(ndtr(upper) - ndtr(lower))
    tail = difference <= 1e-12
    out = np.log(np.where(tail, 1.0, difference))
    out[tail] = log_ndtr(np.asarray(upper)[tail])
    return np.asarray(out - np.log(2 * h))


def two_boxes_normal(e: Floats, first: Floats, second: Floats, sigma: Floats) -> Floats:
    """Return the density of the sum of two uniform errors and a normal one.

    Parameters
    ----------
    e : ndarray
        Error.
    first, second : ndarray
        Half-widths of the uniform parts.
    sigma : ndarray
        Standard deviation of the normal part.

    Notes
    -----
    The second difference of the normal distribution's second integral x Phi(x) + phi(x); the
    difference of two truncated readings is distributed so.
    """
    first, second = np.maximum(first, 1e-2 * sigma), np.maximum(second, 1e-2 * sigma)
    wide, narrow = (first + second) / sigma, np.abs(first - second) / sigma
    x = e / sigma

    def integral(z: Floats) -> Floats:
        return np.asarray(z * ndtr(z) + np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))

    total = integral(x + wide) - integral(x + narrow) - integral(x - narrow) + integral(x - wide)
    return np.maximum(total, 0.0) * sigma / (4 * first * second)


def sample_posterior(
    log_density: Callable[[Floats], Floats],
    mean: Floats,
    covariance: Floats,
    rng: np.random.Generator,
    *,
    draws: int = 4000,
    rounds: int = 6,
) -> tuple[Floats, Floats, float]:
    """Return mean and covariance of a density known up to a factor.

    Parameters
    ----------
    log_density : callable
        Takes points (S, K), returns (S,), finite.
    mean, covariance : ndarray, shapes (K,), (K, K)
        A first guess.
    rng : Generator
    draws, rounds : int
        Points of the last round, and rounds in which the proposal is adapted; those before the last
        have a quarter as many points.

    Returns
    -------
    mean, covariance : ndarray
        Positive definite. Where too few points count to tell them, the first guess.
    effective : float
        Effective number of independent points behind them; 0 for the first guess.

    References
    ----------
    O. Cappe, A. Guillin, J. M. Marin, C. P. Robert, J. Comput. Graph. Stat. 13 (2004) 907
    (adaptive importance sampling); the proposal is Student's t with 5 degrees of freedom, whose
    tails are wider than those of what is sampled.
    """
    guess = mean, covariance
    k = mean.size
    degrees = 5.0
    effective = 0.0
    for turn in range(rounds):
        # The first rounds look further out than the guess says.
        widen = 2.0 if turn < 2 else 1.2
        scale, values, vectors = spectrum(covariance)
        factor = widen * scale[:, None] * vectors * np.sqrt(values)
        n = draws if turn == rounds - 1 else draws // 4
        normal = rng.standard_normal((n, k))
        stretch = np.sqrt(degrees / rng.chisquare(degrees, n))[:, None]
        points = mean + (normal * stretch) @ factor.T
        square = np.sum((normal * stretch) ** 2, axis=1)
        log_proposal = -0.5 * (degrees + k) * np.log1p(square / degrees)
        log_weight = log_density(points) - log_proposal
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        effective = float(1.0 / np.sum(weight**2))
        mean = weight @ points
        centred = points - mean
        spread = (weight[:, None] * centred).T @ centred
        # Few effective points underestimate the spread: keep some of the old one then.
        trust = min(1.0, effective / (20.0 * k))
        covariance = trust * spread + (1 - trust) * covariance
    if not effective > LEAST_EFFECTIVE * k:
        return *guess, 0.0
    return mean, covariance, effective
