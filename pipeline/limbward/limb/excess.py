"""By how much a spectral line shows the Sun larger than the photosphere is.

In hydrogen-alpha the chromosphere, opaque there, is the limb: 3 to 6 thousandths of the radius,
some thousand kilometres, above that of white light. The Moon in front is the measure: its radius is
known from the ephemeris, and so is the Sun's in white light over the Moon's.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot

import numpy as np
from numpy.typing import NDArray

from limbward.limb.circle import Arc, fit_circles

Floats = NDArray[np.float64]

LEAST_POINTS = 24  # of each limb
LEAST_SPAN = 0.35  # of a radius, that an arc's arrow is high at least: else its radius is not told
FLATTENING = 0.002  # of a low Sun
ROUND = 3e-4  # what the Moon's mountains leave of a ratio, common to frames
# What the limbs' models leave of a radius: the darkening of a line is not that of white light, and
# moves the middle of a blurred edge (0.1 pixels on simulated discs of 62).
EDGE_PX = 0.1


def ratio_of(
    sun_limb: Floats,
    moon_limb: Floats,
    starts: tuple[tuple[float, float, float], tuple[float, float, float]],
) -> float:
    """Return the Sun's radius over the Moon's, neither known before; NaN where limbs do not tell.

    Parameters
    ----------
    sun_limb, moon_limb : ndarray, shape (N, 3)
        Edge points: x, y and standard error.
    starts : tuple of (x, y, radius)
        Of the Sun and the Moon.
    """
    limbs = sun_limb, moon_limb
    for limb, start in zip(limbs, starts, strict=True):
        if len(limb) < LEAST_POINTS or _arrow(limb, start) < LEAST_SPAN:
            return float("nan")
    try:
        arcs = [Arc(*limb.T) for limb in limbs]
        fit = fit_circles(arcs, list(starts), flattening_sigma=FLATTENING)
    except ValueError:
        return float("nan")
    sun, moon = fit.circles
    return float(sun.radius / moon.radius)


def _arrow(limb: Floats, start: tuple[float, float, float]) -> float:
    """Return how high an arc stands above its chord, in radii."""
    x, y, _ = start
    angle = np.arctan2(limb[:, 1] - y, limb[:, 0] - x)
    middle = np.arctan2(np.sin(angle).mean(), np.cos(angle).mean())
    half = np.quantile(np.abs((angle - middle + np.pi) % (2 * np.pi) - np.pi), 0.95)
    return float(1.0 - np.cos(min(half, np.pi)))


def excess_of(
    ratios: Iterable[float], expected: Iterable[float], radius_px: float
) -> tuple[float, float] | None:
    """Return by what part the Sun is larger than expected, and the standard error; None if unknown.

    Parameters
    ----------
    ratios : iterable of float
        From `ratio_of`, one a frame.
    expected : iterable of float
        The Sun's radius over the Moon's by the ephemeris, at the frames' times.
    radius_px : float
        The Sun's, in pixels: the fewer, the less sure.
    """
    off = np.array(list(ratios)) / np.array(list(expected)) - 1.0
    off = off[np.isfinite(off)]
    if off.size < 3:
        return None
    middle = float(np.median(off))
    scatter = 1.4826 * float(np.median(np.abs(off - middle)))
    return middle, hypot(1.2533 * scatter / np.sqrt(off.size), ROUND, EDGE_PX / radius_px)
