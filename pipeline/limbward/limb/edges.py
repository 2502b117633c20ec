"""Edges: roughly, with their direction, and along the radius to a fraction of a pixel."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.feature import canny

Floats = NDArray[np.float64]
Image = NDArray[np.float32]


@dataclass(frozen=True)
class EdgePoints:
    """Edge pixels and the unit vector in which the image brightens there."""

    x: Floats
    y: Floats
    up_x: Floats
    up_y: Floats
    contrast: Floats


def edge_points(image: Image, knee: float, *, most: int) -> EdgePoints:
    """Return the edges of an image of any dynamic range.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        Linear, background near 0.
    knee : float
        Level above which an equal ratio counts as an equal step; a few times the noise.
    most : int
        Largest number of points returned: those with the steepest slopes. A limb is steeper than
        the streamers, of which a well exposed corona shows thousands of edge points.

    References
    ----------
    J. Canny, IEEE Trans. PAMI 8 (1986) 679, by scikit-image, on the logarithm of the image.
    """
    log = np.log1p(np.maximum(image, 0.0) / knee).astype(np.float64)
    gx = ndimage.gaussian_filter(log, 1.2, order=(0, 1))
    gy = ndimage.gaussian_filter(log, 1.2, order=(1, 0))
    size = np.hypot(gx, gy)
    # A knee of 15 sigma leaves a noise of 0.013 in the slope; 0.06 is 4.5 times that.
    high = max(0.25 * float(np.quantile(size, 0.999)), 0.15)
    mask = canny(log, sigma=1.2, low_threshold=0.4 * high, high_threshold=high)
    mask &= size > 0
    y, x = np.nonzero(mask)
    if x.size > most:
        chosen = np.sort(np.argsort(size[y, x], kind="stable")[-most:])
        x, y = x[chosen], y[chosen]
    g = size[y, x]
    return EdgePoints(x.astype(float), y.astype(float), gx[y, x] / g, gy[y, x] / g, g)


def clipped_near(
    saturated: NDArray[np.bool_], x: Floats, y: Floats, reach: int = 2
) -> NDArray[np.bool_]:
    """Return whether a pixel within ``reach`` of each place is saturated.

    Looking around a few hundred places is quicker than growing the mask of a whole frame.
    """
    columns, rows = np.rint(x).astype(int), np.rint(y).astype(int)
    height, width = saturated.shape
    found = np.zeros(columns.shape, bool)
    for down in range(-reach, reach + 1):
        for right in range(-reach + abs(down), reach + 1 - abs(down)):
            r, c = rows + down, columns + right
            found |= saturated[np.clip(r, 0, height - 1), np.clip(c, 0, width - 1)]
    return found


@dataclass(frozen=True)
class RadialEdges:
    """Edges found along N radii of a circle; pixels.

    ``x`` and ``y`` are their places, ``angle`` that of the radius, ``sigma`` the standard error
    along it, ``step`` the brightness step across the edge and ``width`` its blur (sigma).
    ``saturated`` tells that the bright side is clipped, so that width and step mean nothing.
    """

    x: Floats
    y: Floats
    angle: Floats
    sigma: Floats
    step: Floats
    width: Floats
    saturated: NDArray[np.bool_]

    def __getitem__(self, keep: NDArray[np.bool_]) -> RadialEdges:
        """Return the edges that ``keep`` selects."""
        return RadialEdges(*(getattr(self, f.name)[keep] for f in fields(self)))


def rays(
    shape: tuple[int, ...], x: float, y: float, r: Floats, radius: float, angles: int
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Return places along the radii of a circle, a pixel apart or more around it.

    Parameters
    ----------
    shape : tuple of int
        Of the image.
    x, y, radius : float
        The circle, pixels.
    r : ndarray, shape (K,)
        Distances from its centre.
    angles : int
        Radii at most.

    Returns
    -------
    theta : ndarray, shape (N,)
        From x towards y, radians.
    rows, columns : ndarray, shape (N, K)
    inside : ndarray of bool, shape (N,)
        Whether all of a radius lies in the image.
    """
    height, width = shape
    angles = int(np.clip(angles, 90, max(90, 2 * np.pi * radius)))
    theta = np.arange(angles) * (2 * np.pi / angles)
    rows = np.asarray(y + np.sin(theta)[:, None] * r)
    cols = np.asarray(x + np.cos(theta)[:, None] * r)
    inside = (rows > 1) & (rows < height - 2) & (cols > 1) & (cols < width - 2)
    return np.asarray(theta), rows, cols, np.asarray(inside.all(axis=1))


def radial_edges(
    image: Image,
    saturated: NDArray[np.bool_],
    x: float,
    y: float,
    radius: float,
    *,
    brighter_outside: bool,
    noise: float,
    reach: float = 8.0,
    angles: int = 720,
) -> RadialEdges:
    """Return, for each angle, where the image changes fastest along the radius near a circle.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        Linear brightness.
    saturated : ndarray of bool, shape (h, w)
    x, y, radius : float
        The circle looked near, pixels.
    brighter_outside : bool
        Which way the step goes: True at the Moon's limb, False at the Sun's.
    noise : float
        Standard deviation of a pixel near the edge.
    reach : float
        How far from the circle to look, pixels.
    angles : int
        Radii looked along.

    Notes
    -----
    The profile's derivative is taken with a Gaussian of 1 px, its extremum refined by a parabola.
    A blurred step whose bright side falls off with a scale of R/10, as the inner corona does, has
    its extremum 0.05 px inside the limb at R = 300 px: the same all around, so the centre keeps.
    """
    step = 0.25
    offsets = np.arange(-reach - 3, reach + 3 + step / 2, step)
    r = radius + offsets
    theta, rows, cols, inside = rays(image.shape, x, y, r, radius, angles)
    profile = ndimage.map_coordinates(image, [rows, cols], order=1, mode="nearest")
    sign = 1.0 if brighter_outside else -1.0
    # Averaging three neighbouring radii costs no resolution: they are under a pixel apart.
    profile = ndimage.uniform_filter1d(profile, 3, axis=0, mode="wrap")
    slope = sign * ndimage.gaussian_filter1d(profile, 1.0 / step, axis=1, order=1) / step
    core = slice(12, -12)  # 3 px at each end are the filter's margin
    peak = np.argmax(slope[:, core], axis=1) + 12
    at_border = (peak <= 12) | (peak >= offsets.size - 13)
    index = np.arange(theta.size)
    left, middle, right = slope[index, peak - 1], slope[index, peak], slope[index, peak + 1]
    curvature = left - 2 * middle + right
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where(curvature < 0, 0.5 * (left - right) / curvature, 0.0)
    found = r[peak] + np.clip(shift, -1, 1) * step
    reach_px = round(3.0 / step)
    outer = profile[index, np.minimum(peak + reach_px, offsets.size - 1)]
    inner = profile[index, np.maximum(peak - reach_px, 0)]
    jump = sign * (outer - inner)
    # The step over the slope is sqrt(2 pi) sigma of the blur, of which 1 px is the filter's.
    with np.errstate(divide="ignore", invalid="ignore"):
        blur = np.where(middle > 0, jump / middle / np.sqrt(2 * np.pi), np.nan)
    own = np.sqrt(np.maximum(blur**2 - 1.0, 0.0))
    # Noise of the slope's zero crossing over its steepness (a Gaussian derivative of 1 px).
    slope_noise = noise / np.sqrt(3.0) * 0.38
    steep = np.maximum(-curvature / step**2, 1e-12)
    sigma = np.sqrt((slope_noise / steep) ** 2 + 0.03**2)
    bright = found + sign * 2
    near_clip = clipped_near(saturated, x + bright * np.cos(theta), y + bright * np.sin(theta))
    good = inside & ~at_border & (middle > 5 * slope_noise) & (curvature < 0)
    return RadialEdges(
        x + found[good] * np.cos(theta[good]),
        y + found[good] * np.sin(theta[good]),
        theta[good],
        sigma[good],
        jump[good],
        own[good],
        near_clip[good],
    )
