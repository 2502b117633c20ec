"""Circles through edge points: an algebraic start, a robust consensus, a geometric fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from limbward.geometry.disc import MeasuredDisc
from limbward.normal_matrix import inverse

Floats = NDArray[np.float64]


def algebraic_circle(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Return centre and radius of the circle that fits three or more points algebraically.

    Parameters
    ----------
    x, y : ndarray, shape (N,)

    Raises
    ------
    ValueError
        If the points lie on a line, or are fewer than three that are finite.

    References
    ----------
    I. Kasa, IEEE Trans. Instrum. Meas. 25 (1976) 8.
    """
    finite = np.isfinite(x) & np.isfinite(y)
    x, y = x[finite], y[finite]
    if x.size < 3:
        raise ValueError("fewer than three points")
    mx, my = x.mean(), y.mean()
    u, v = x - mx, y - my
    design = np.stack([u, v, np.ones_like(u)], axis=1)
    solution, _, rank, _ = np.linalg.lstsq(design, u**2 + v**2, rcond=None)
    if rank < 3:
        raise ValueError("the points lie on a line")
    a, b = solution[0] / 2, solution[1] / 2
    # The square is a mean of squares but for rounding.
    return float(a + mx), float(b + my), float(np.sqrt(max(solution[2] + a**2 + b**2, 0.0)))


def consensus_circle(
    x: Floats,
    y: Floats,
    normal_x: Floats,
    normal_y: Floats,
    *,
    tolerance: float,
    radius_range: tuple[float, float],
    rng: np.random.Generator,
    trials: int = 1500,
) -> tuple[float, float, float, NDArray[np.bool_]] | None:
    """Return the circle most edge points agree on, and which those are.

    Parameters
    ----------
    x, y : ndarray, shape (N,)
        Edge points, pixels.
    normal_x, normal_y : ndarray, shape (N,)
        Unit vectors that point to the circle's centre if the point belongs to it.
    tolerance : float
        Largest distance of a member from the circle, pixels.
    radius_range : tuple of float
        Smallest and largest radius looked for, pixels.
    rng : Generator
    trials : int
        Pairs of points tried. With 10 % members, 1500 pairs hold 15 good ones on average.

    Returns
    -------
    tuple or None
        x, y, radius, members (N,); None if no circle has eight members.

    References
    ----------
    M. A. Fischler, R. C. Bolles, Comm. ACM 24 (1981) 381; the centre of a pair is where the two
    normals meet, so that a pair is enough and the direction of the gradient is used.
    """
    n = x.size
    if n < 8:
        return None
    i, j = rng.integers(0, n, trials), rng.integers(0, n, trials)
    # Solve p_i + s n_i = p_j + t n_j.
    det = normal_x[i] * normal_y[j] - normal_y[i] * normal_x[j]
    keep = np.abs(det) > 0.1  # nearly parallel normals fix no centre
    i, j, det = i[keep], j[keep], det[keep]
    dx, dy = x[j] - x[i], y[j] - y[i]
    s = (dx * normal_y[j] - dy * normal_x[j]) / det
    t = (dx * normal_y[i] - dy * normal_x[i]) / det
    low, high = radius_range
    keep = (s > low) & (s < high) & (np.abs(s - t) < 0.15 * s)
    i, s, t = i[keep], s[keep], t[keep]
    best_score, best = 0.0, None
    cx, cy, radius = x[i] + s * normal_x[i], y[i] + s * normal_y[i], 0.5 * (s + t)
    for a, b, r in zip(cx, cy, radius, strict=True):
        score, _ = _members(x, y, normal_x, normal_y, a, b, r, max(tolerance, 0.04 * r))
        if score > best_score:
            best_score, best = score, (a, b, r)
    if best is None:
        return None
    a, b, r = best
    members = np.zeros(n, bool)
    for width in (max(tolerance, 0.04 * r), max(tolerance, 0.02 * r), tolerance, tolerance):
        _, members = _members(x, y, normal_x, normal_y, a, b, r, width)
        if members.sum() < 8:
            return None
        try:
            a, b, r = algebraic_circle(x[members], y[members])
        except ValueError:
            return None
    if not low < r < high:
        return None
    return a, b, r, members


def _members(
    x: Floats,
    y: Floats,
    normal_x: Floats,
    normal_y: Floats,
    a: float,
    b: float,
    radius: float,
    tolerance: float,
) -> tuple[float, NDArray[np.bool_]]:
    """Return a score and the points near the circle whose normals point to its centre."""
    dx, dy = a - x, b - y
    distance = np.hypot(dx, dy)
    aligned = (dx * normal_x + dy * normal_y) > 0.9 * distance
    members = aligned & (np.abs(distance - radius) < tolerance)
    # Members per unit of arc tell a limb from clutter on a huge circle.
    return float(members.sum()) / np.sqrt(radius), members


@dataclass(frozen=True)
class Arc:
    """Edge points of one limb: positions and standard errors along the radius, pixels."""

    x: Floats
    y: Floats
    sigma: Floats


@dataclass(frozen=True)
class CircleFit:
    """What `fit_circles` found."""

    circles: tuple[MeasuredDisc, ...]
    rms: float
    inlier_fraction: float


def fit_circles(
    arcs: list[Arc],
    starts: list[tuple[float, float, float]],
    *,
    radius_ratio: float | None = None,
    ratio_sigma: float = 1e-5,
    flattening_sigma: float = 0.0,
    radius: tuple[float, float] | None = None,
) -> CircleFit:
    """Fit one or two circles geometrically, with a robust loss.

    Parameters
    ----------
    arcs : list of Arc
        One for each circle.
    starts : list of (x, y, radius)
    radius_ratio : float, optional
        Radius of the second circle over that of the first.
    ratio_sigma : float
        Standard deviation of that ratio; small enough ties the two radii.
    flattening_sigma : float
        How far refraction may flatten the discs, as a fraction of the radius: two further
        unknowns, common to both circles, with this standard deviation. 0 leaves them out.
    radius : tuple of float, optional
        Radius of the first circle, if it is known, and its standard deviation, pixels.

    Returns
    -------
    CircleFit
        The circles' ``sigma`` follows from the curvature of the loss and the scatter that the fit
        leaves; it is large where the points tell no centre, never zero.

    Raises
    ------
    ValueError
        If an arc has fewer than three finite points, or a start is not finite.

    References
    ----------
    Geometric circle fits: W. Gander, G. H. Golub, R. Strebel, BIT 34 (1994) 558. Robust loss
    (soft L1): B. Triggs et al., *Bundle adjustment* (1999), as in scipy.optimize.least_squares.
    """
    flattened = flattening_sigma > 0
    arcs = [_finite(arc) for arc in arcs]
    if min(arc.x.size for arc in arcs) < 3:
        raise ValueError("a limb of fewer than three points")
    if not np.isfinite(np.array(starts, dtype=float)).all():
        raise ValueError("a circle to start from that is not finite")

    def residuals(p: Floats) -> Floats:
        plus, cross = p[-2:] if flattened else (0.0, 0.0)
        parts = []
        for arc, (a, b, r) in zip(arcs, p[: 3 * len(arcs)].reshape(-1, 3), strict=True):
            parts.append(_miss(arc, a, b, r, plus, cross))
        if radius_ratio is not None and len(arcs) == 2:
            parts.append(np.array([p[5] / p[2] - radius_ratio]) / ratio_sigma)
        if radius is not None:
            parts.append(np.array([p[2] - radius[0]]) / radius[1])
        if flattened:
            parts.append(np.array([plus, cross]) / flattening_sigma)
        return np.concatenate(parts)

    start = np.array([v for c in starts for v in c] + ([0.0, 0.0] if flattened else []))
    fit = least_squares(residuals, start, loss="soft_l1", f_scale=2.0, x_scale="jac")
    left = residuals(fit.x)[: sum(a.x.size for a in arcs)]
    # The Moon's relief (1 arcsec) may exceed the edges' own errors many times.
    spread = max(1.0, 1.4826 * float(np.median(np.abs(left))))
    inlier = np.abs(left) < 4.0 * spread
    scatter = max(1.0, float(np.sqrt(np.mean(left[inlier] ** 2))) if inlier.any() else np.inf)
    covariance = inverse(fit.jac.T @ fit.jac) * scatter**2
    found = []
    for k in range(len(arcs)):
        x, y, r = (float(v) for v in fit.x[3 * k : 3 * k + 3])
        variances = np.diag(covariance)[3 * k : 3 * k + 2]
        found.append(MeasuredDisc(x, y, r, float(np.sqrt(variances.mean()))))
    pixels = np.concatenate([a.sigma for a in arcs])
    rms = float(np.sqrt(np.mean((left * pixels)[inlier] ** 2))) if inlier.any() else np.inf
    return CircleFit(tuple(found), rms, float(inlier.mean()))


def _miss(arc: Arc, a: float, b: float, r: float, plus: float, cross: float) -> Floats:
    """Return how far points are outside a circle that refraction flattens, in their errors."""
    dx, dy = arc.x - a, arc.y - b
    distance = np.maximum(np.hypot(dx, dy), 1e-9)
    cos2 = (dx**2 - dy**2) / distance**2
    sin2 = 2 * dx * dy / distance**2
    return np.asarray((distance - r * (1 + plus * cos2 + cross * sin2)) / arc.sigma)


def _finite(arc: Arc) -> Arc:
    """Return the points of an arc that are measured."""
    keep = np.isfinite(arc.x) & np.isfinite(arc.y) & np.isfinite(arc.sigma) & (arc.sigma > 0)
    return Arc(arc.x[keep], arc.y[keep], arc.sigma[keep])
