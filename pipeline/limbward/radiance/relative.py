"""How much light each frame really got, from the corona itself.

A camera's exposure times are nominal: mechanical shutters are off by per cents, the marked speeds
are rounded (1/60 is 1/64) and thin cloud dims single frames. Two frames that show the same corona
tell the ratio of their exposures; a chain of such ratios ties all frames together.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from limbward.normal_matrix import inverse
from limbward.radiance.exposures import by_exposure
from limbward.radiance.registered import RegisteredFrames

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

SHUTTER_SIGMA = 0.05  # of nominal exposures, as a fraction: the prior that ties the scale
BLACK_SIGMA = 7e-5  # of a frame's black level, as a fraction of the range: 1 ADU of 14 bits
SKY_SIGMA = 0.05  # change of the sky during totality, as a fraction
MODEL_SIGMA = 0.001  # of a ratio, for what the noise does not explain
MIN_SNR = 10.0
MIN_PIXELS = 150
MAX_PIXELS = 6000  # a colour and pair: ratios to 0.05 %, well below what the structure allows


@dataclass(frozen=True)
class RelativeExposures:
    """What the frames really got, in the order of the registered.

    Attributes
    ----------
    factor, factor_sigma : ndarray, shape (N,)
        True exposure in units of the nominal one; the mean logarithm is about 0.
    offset, offset_sigma : ndarray, shape (N, 3)
        Signal in R, G, B that is not the common corona, ADU: the error of the black level and the
        change of the sky's brightness.
    ties : ndarray of int, shape (N,)
        Frames each was compared with; a frame without any keeps its nominal exposure.
    """

    factor: Floats
    factor_sigma: Floats
    offset: Floats
    offset_sigma: Floats
    ties: NDArray[np.int64]


@dataclass(frozen=True)
class Line:
    """A straight line y = slope * x + offset with errors."""

    slope: float
    slope_sigma: float
    offset: float
    offset_sigma: float


def york_line(
    x: Floats,
    y: Floats,
    x_variance: Floats,
    y_variance: Floats,
    start: float,
    beside: Floats | None = None,
) -> Line | None:
    """Fit a straight line through points with errors in both coordinates, outliers damped.

    Parameters
    ----------
    x, y, x_variance, y_variance : ndarray, shape (n,)
    start : float
        First guess of the slope.
    beside : ndarray, shape (n, m), optional
        What else y may hold, each by an amount of its own, such as a sky that slopes: about 0 on
        the mean, or the offset is that where they are 0.

    Returns
    -------
    Line or None
        None if the points do not determine a line.

    References
    ----------
    D. York, N. M. Evensen, M. L. Martinez, J. De Basabe Delgado, Am. J. Phys. 72 (2004) 367.
    P. J. Huber, Ann. Math. Statist. 35 (1964) 73.
    """
    slope, damp = start, np.ones_like(x)
    weight, beta = damp, x
    offset = scatter = 0.0
    smooth = np.ones((x.size, 1)) if beside is None else np.column_stack([np.ones_like(x), beside])
    for _ in range(12):
        weight = damp / (y_variance + slope**2 * x_variance)
        (xm, ym), (u, v) = _without(smooth, weight, x, y)
        beta = weight / damp * (u * y_variance + slope * v * x_variance)
        below = (weight * beta) @ u
        if not np.isfinite(below) or below <= 0.0:
            return None
        new = float((weight * beta) @ v) / float(below)
        if not 0.1 < new / start < 10.0:
            return None
        offset = ym - new * xm
        residual = (v - new * u) / np.sqrt(y_variance + new**2 * x_variance)
        scatter = 1.4826 * float(np.median(np.abs(residual)))
        damp = 1.0 / np.maximum(np.abs(residual) / (2.0 * max(scatter, 1e-9)), 1.0)
        done = abs(new / slope - 1.0) < 1e-6
        slope = float(new)
        if done:
            break
    _, (centred,) = _without(smooth, weight, beta)
    spread = float(weight @ centred**2)
    if spread <= 0.0:
        return None
    # Scatter above the noise comes from structure that the resampling renders differently.
    grow = max(scatter, 1.0)
    slope_sigma = grow / np.sqrt(spread)
    offset_sigma = grow / np.sqrt(weight.sum())
    return Line(slope, float(slope_sigma), float(offset), float(offset_sigma))


def _without(smooth: Floats, weight: Floats, *values: Floats) -> tuple[list[float], list[Floats]]:
    """Return how much of the first of smooth parts (n, m) values (n,) hold, and what is left."""
    weighted = smooth * weight[:, None]
    parts = [inverse(weighted.T @ smooth) @ (weighted.T @ v) for v in values]
    left = [v - smooth @ p for v, p in zip(values, parts, strict=True)]
    return [float(p[0]) for p in parts], left


def pairs(exposure: Floats, reach: int = 2, partners: int = 2) -> list[tuple[int, int]]:
    """Return the pairs of frames to compare, the shorter exposure first.

    Each frame meets the next one of its own exposure and, of each of the next ``reach`` longer
    exposures, the ``partners`` frames nearest in the order given (that of time, so that the sky
    has changed little).
    """
    groups = by_exposure(exposure)
    out: list[tuple[int, int]] = []
    for g, group in enumerate(groups):
        members = sorted(group)
        out += list(pairwise(members))
        for longer in groups[g + 1 : g + 1 + reach]:
            for i in members:
                near = sorted(longer, key=lambda j: abs(j - i))[:partners]
                out += [(i, j) for j in near]
    return out


def _compare(
    registered: RegisteredFrames, i: int, j: int
) -> list[tuple[int, Line, Floats, Floats, Floats]]:
    """Return, for each colour, the line through the signals of frame j over those of frame i."""
    out = []
    start = registered.exposure[j] / registered.exposure[i]
    for c in range(3):
        level_i = registered.predicted[c] * registered.exposure[i]
        level_j = registered.predicted[c] * registered.exposure[j]
        var_i, var_j = registered.noise[i].variance(level_i), registered.noise[j].variance(level_j)
        samples_i, samples_j = registered.samples[i], registered.samples[j]
        # Chosen by the prediction: choosing by a frame's own noisy signal would bias the ratio.
        ok = (
            (level_i > MIN_SNR * np.sqrt(var_i / samples_i))
            & (level_j > MIN_SNR * np.sqrt(var_j / samples_j))
            & (level_i < 0.8 * registered.ceiling[i])
            & (level_j < 0.8 * registered.ceiling[j])
            & np.isfinite(registered.signal[i, c])
            & np.isfinite(registered.signal[j, c])
        )
        chosen = np.flatnonzero(ok)
        if chosen.size < MIN_PIXELS:
            continue
        chosen = chosen[:: -(-chosen.size // MAX_PIXELS)]
        # The sky brightens towards one side meanwhile, by as much as the outer corona has.
        rows, columns = np.unravel_index(chosen, ok.shape)
        plane = np.stack([columns, rows], axis=1) / max(ok.shape)

        def take(image: Pixels, chosen: NDArray[np.int64] = chosen) -> Floats:
            return image.ravel()[chosen].astype(np.float64)

        x, y = take(registered.signal[i, c]), take(registered.signal[j, c])
        vx, vy = take(var_i) / samples_i, take(var_j) / samples_j
        line = york_line(x, y, vx, vy, start, plane - plane.mean(axis=0))
        if line is not None:
            out.append((c, line, x, y, vy + start**2 * vx))
    return out


def relative_exposures(registered: RegisteredFrames) -> RelativeExposures:
    """Return the true relative exposures of the frames of a registered.

    Parameters
    ----------
    registered : RegisteredFrames
        Frames registered on the Sun, with nominal exposures.

    Returns
    -------
    RelativeExposures

    Notes
    -----
    Ratio and offset of a pair come from a straight line through the signals of the two frames,
    beside a plane over the field, so that neither an error of the black level nor a sky that has
    changed bends the ratio. The logarithms
    of all ratios, weighted by their errors, and the nominal exposures with an error of 5 % give
    the factors by least squares; ratios far from the solution are damped (Cauchy weights).
    """
    n = len(registered.exposure)
    log_ratio, sigma, ends = [], [], []
    compared = []
    for i, j in pairs(registered.exposure):
        found = _compare(registered, i, j)
        compared += [(i, j, c, x, y, v) for c, _, x, y, v in found]
        if not found:
            continue
        logs = np.array([np.log(line.slope) for _, line, *_ in found])
        errors = np.array([line.slope_sigma / line.slope for _, line, *_ in found])
        weight = 1.0 / (errors**2 + MODEL_SIGMA**2)
        log_ratio.append(
            (weight @ logs) / weight.sum() - np.log(registered.exposure[j] / registered.exposure[i])
        )
        sigma.append(1.0 / np.sqrt(weight.sum()))
        ends.append((i, j))
    ties = np.bincount(np.array(ends, np.int64).ravel(), minlength=n)
    factor_log, covariance = _solve_logs(n, ends, np.array(log_ratio), np.array(sigma))
    factor = np.exp(factor_log)
    mean = np.eye(n) - 1.0 / n  # the common scale is a matter of definition, not of error
    spread = np.sqrt(np.maximum(np.diag(mean @ covariance @ mean), MODEL_SIGMA**2))
    factor_sigma = factor * spread  # a lone frame has no ratio, but its own scatter all the same
    offset, offset_sigma = _offsets(registered, factor, compared)
    return RelativeExposures(factor, factor_sigma, offset, offset_sigma, ties)


def _solve_logs(
    n: int, ends: list[tuple[int, int]], log_ratio: Floats, sigma: Floats
) -> tuple[Floats, Floats]:
    prior: Floats = np.eye(n) / SHUTTER_SIGMA**2
    if not ends:
        return np.zeros(n), inverse(prior)
    design = np.zeros((len(ends), n))
    rows = np.arange(len(ends))
    design[rows, [i for i, _ in ends]] = -1.0
    design[rows, [j for _, j in ends]] = 1.0
    damp = np.ones(len(ends))
    solution: Floats = np.zeros(n)
    normal: Floats = prior
    for _ in range(20):
        weight = damp / sigma**2
        normal = design.T @ (weight[:, None] * design) + prior
        right = design.T @ (weight * log_ratio)
        solution = inverse(normal) @ right
        residual = (design @ solution - log_ratio) / sigma
        damp = 1.0 / (1.0 + (residual / 3.0) ** 2)
    return solution, inverse(normal)


def _offsets(
    registered: RegisteredFrames,
    factor: Floats,
    compared: list[tuple[int, int, int, Floats, Floats, Floats]],
) -> tuple[Floats, Floats]:
    """Return what each frame has besides the common corona, given the factors."""
    n = len(factor)
    true = factor * registered.exposure
    offset, offset_sigma = np.zeros((n, 3)), np.zeros((n, 3))
    for c in range(3):
        darkest = float(np.percentile(registered.predicted[c], 1.0)) * true
        prior_sigma = np.maximum(
            np.hypot(BLACK_SIGMA * registered.ceiling, SKY_SIGMA * darkest), 1e-9
        )
        normal: Floats = np.diag(1.0 / prior_sigma**2)
        right: Floats = np.zeros(n)
        for i, j, colour, x, y, variance in compared:
            if colour != c:
                continue
            ratio = true[j] / true[i]
            # The dark half of the pixels, where an offset counts most and the ratio least.
            dark = x <= np.median(x)
            weight = 1.0 / variance[dark]
            step = y[dark] - ratio * x[dark]
            middle = float(np.median(step))
            spread = 1.4826 * float(np.median(np.abs(step - middle)))
            near = np.abs(step - middle) <= 3.0 * spread
            if not near.any():
                continue
            b = float(np.average(step[near], weights=weight[near]))
            ratio_error = MODEL_SIGMA * float(np.median(y[dark]))
            sigma2 = 1.0 / float(weight[near].sum()) + ratio_error**2
            row = np.zeros(n)
            row[j], row[i] = 1.0, -ratio
            normal += np.outer(row, row) / sigma2
            right += row * b / sigma2
        covariance = inverse(normal)
        offset[:, c] = covariance @ right
        offset_sigma[:, c] = np.sqrt(np.diag(covariance))
    return offset, offset_sigma
