"""The corona against distance from the Sun, and against the published mean corona."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from limbward.geometry.law import mean_corona
from limbward.radiance.scratch import thinned
from limbward.report.material import Corona, Floats

RING_RADII = 0.03
MIN_PIXELS = 50
AT_MOST = 1_500_000  # pixels; of larger pictures every second or third row and column is taken
FITTED = (1.1, 3.0)  # solar radii: outside the prominences, inside where the sky takes over


@dataclass(frozen=True)
class Profile:
    """Rings of the corona; arrays of length N.

    Attributes
    ----------
    rho : ndarray
        Distance from the Sun's centre, solar radii.
    low, median, high : ndarray
        Radiance: 16th, 50th and 84th percentile round the ring.
    noise : ndarray
        Median of sigma over radiance.
    count : ndarray
        Median of the number of frames.
    """

    rho: Floats
    low: Floats
    median: Floats
    high: Floats
    noise: Floats
    count: Floats


@dataclass(frozen=True)
class MeanCorona:
    """The published law fitted to a profile: radiance = scale x law + sky.

    Attributes
    ----------
    scale, sky : float
        Units of the radiance; neither is below 0.
    deviation : float
        Root mean square of measured over fitted, less 1, between 1.1 and 3 solar radii.
    """

    scale: float
    sky: float
    deviation: float


def radial_profile(corona: Corona) -> Profile:
    """Return the corona by rings round the Sun, the Moon's disc left out."""
    height, width = corona.radiance.shape
    step = max(1, int(np.ceil(np.sqrt(height * width / AT_MOST))))
    y, x = np.arange(0, height, step)[:, None], np.arange(0, width, step)[None, :]
    rho = np.hypot(x - corona.sun_x, y - corona.sun_y) / corona.sun_radius
    moon = np.hypot(x - corona.moon_x, y - corona.moon_y) < corona.moon_radius
    value, sigma = thinned(corona.radiance, step), thinned(corona.sigma, step)
    known = np.isfinite(value) & np.isfinite(sigma) & ~moon & (rho > 1.0)
    ring = np.floor((rho[known] - 1.0) / RING_RADII).astype(np.int64)
    order = np.argsort(ring, kind="stable")
    bounds = np.searchsorted(ring[order], np.arange(ring.max(initial=-1) + 2))
    planes = [p[known][order] for p in (rho, value, sigma, thinned(_plane(corona.count), step))]
    rows = []
    for a, b in itertools.pairwise(bounds):
        if b - a < MIN_PIXELS:
            continue
        r, v, s, n = (p[a:b] for p in planes)
        low, median, high = np.percentile(v, [16.0, 50.0, 84.0])
        if median > 0:
            rows.append((r.mean(), low, median, high, np.median(s) / median, np.median(n)))
    return Profile(*np.array(rows, dtype=float).reshape(-1, 6).T)


def _plane(count: NDArray[Any]) -> NDArray[Any]:
    return count[1] if count.ndim == 3 else count


def fit_mean_corona(profile: Profile) -> MeanCorona | None:
    """Return the published law, scaled, with an even sky, that comes nearest to a profile.

    Returns
    -------
    MeanCorona or None
        None if fewer than five rings lie between 1.1 and 3 solar radii.

    Notes
    -----
    Least squares of the relative deviations with neither number negative. The brightness of the
    Sun through the same optics is not known, so only the shape is compared, never the height.
    """
    inner = (profile.rho >= FITTED[0]) & (profile.rho <= FITTED[1])
    if inner.sum() < 5:
        return None
    value, law = profile.median[inner], mean_corona(profile.rho[inner])
    height = law.max()  # keeps the two columns alike in size
    matrix = np.column_stack([law / height, np.ones_like(law)]) / value[:, None]
    (scale, sky), _ = nnls(matrix, np.ones_like(value))
    if scale <= 0:
        return None
    ratio = value / (scale * law / height + sky)
    return MeanCorona(scale / height, sky, float(np.sqrt(np.mean((ratio - 1.0) ** 2))))
