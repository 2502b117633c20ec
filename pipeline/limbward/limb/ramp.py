"""The Moon's limb against an overexposed corona, from the foot of the clipped edge.

Where the corona is clipped, the steepest place of the profile is not the limb: a blurred step much
higher than the clipping level crosses that level two or three sigmas of the blur inside the limb,
further where the corona is brighter, so that the centre is pulled to the faint side by tenths of
a pixel. The part of the edge below the clipping level still tells where the limb is.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import ndtr, ndtri  # scipy.stats takes a third of a second to import

from limbward.limb.circle import algebraic_circle
from limbward.limb.edges import RadialEdges, clipped_near, rays

Floats = NDArray[np.float64]

LOW, HIGH = 0.25, 0.8  # levels between which the foot is measured, of the local height
BLURS = np.arange(0.4, 1.61, 0.1)  # px, tried where no unsaturated limb tells the blur


def _foot_table() -> tuple[Floats, Floats]:
    """Return the foot's width between the two levels, and the low level's depth, in sigmas."""
    depth = np.linspace(-6.0, ndtri(0.995 * LOW / HIGH), 600)
    width = ndtri(ndtr(depth) * HIGH / LOW) - depth
    order = np.argsort(width)
    return width[order], depth[order]


WIDTHS, DEPTHS = _foot_table()


def ramp_edges(
    image: NDArray[np.float32],
    saturated: NDArray[np.bool_],
    x: float,
    y: float,
    radius: float,
    *,
    noise: float,
    blur: float | None,
    reach: float = 7.0,
    angles: int = 720,
) -> RadialEdges | None:
    """Return the places of a limb whose bright side may be clipped.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        Linear brightness.
    saturated : ndarray of bool, shape (h, w)
    x, y, radius : float
        Circle near the limb, pixels.
    noise : float
        Standard deviation of a dark pixel.
    blur : float or None
        Sigma of the limb's blur, pixels. None lets the roundness of the result decide.
    reach : float
        How far from the circle to look, pixels.
    angles : int
        Radii looked along.

    Returns
    -------
    RadialEdges or None
        None if the foot of the edge is seen at too few angles.

    Notes
    -----
    A step of height A blurred by a Gaussian of sigma s is A Phi((r - R)/s). Two levels in a known
    ratio are crossed at radii whose distance, in units of s, tells how deep in the Gaussian's foot
    they lie, whatever A is; hence R.
    """
    step = 0.1
    offsets = np.arange(-reach - 4, reach + step / 2, step)
    theta, rows, cols, inside = rays(image.shape, x, y, radius + offsets, radius, angles)
    profile = _profiles(image, rows, cols, noise)
    top_level = np.quantile(profile, 0.98, axis=1)
    good = inside & (HIGH * top_level > 12 * noise)
    low_at, low_ok = _crossing(profile, LOW * top_level, offsets)
    high_at, high_ok = _crossing(profile, HIGH * top_level, offsets)
    good &= low_ok & high_ok & (high_at > low_at)
    if good.sum() < 24:
        return None
    theta, low_at = theta[good], low_at[good]
    foot = ndimage.median_filter(high_at[good] - low_at, 15, mode="wrap")
    foot = ndimage.uniform_filter1d(foot, 15, mode="wrap")

    def edge(s: float) -> Floats:
        depth = np.interp(foot / s, WIDTHS, DEPTHS)
        return np.asarray(radius + low_at - s * depth)

    if blur is not None:
        blur = max(blur, float(BLURS[0]))
    else:
        blur = float(BLURS[np.argmin([_roundness(theta, edge(s)) for s in BLURS])])
    found = edge(blur)
    bright = found + 2
    clipped = clipped_near(saturated, x + bright * np.cos(theta), y + bright * np.sin(theta))
    return RadialEdges(
        x + found * np.cos(theta),
        y + found * np.sin(theta),
        theta,
        np.full(theta.size, 0.15),
        top_level[good],
        np.full(theta.size, blur),
        clipped,
    )


def _profiles(image: NDArray[np.float32], rows: Floats, cols: Floats, noise: float) -> Floats:
    """Return the brightness above the dark disc along radii, shape (N, K)."""
    # A Gaussian's foot is a parabola in the logarithm, which a cubic follows between the pixels.
    floor = max(3 * noise, 1.0)
    top = max(int(cols.min()) - 4, 0), max(int(rows.min()) - 4, 0)
    box = image[
        top[1] : max(int(rows.max()) + 5, top[1] + 8), top[0] : max(int(cols.max()) + 5, top[0] + 8)
    ]
    dark = np.median(ndimage.map_coordinates(image, [rows[:, :30], cols[:, :30]], order=1), axis=1)
    base = ndimage.median_filter(dark, 31, mode="wrap")
    log = np.log(np.maximum(box - float(np.median(base)) + floor, 0.1 * floor))
    profile = ndimage.map_coordinates(log, [rows - top[1], cols - top[0]], order=3, mode="nearest")
    profile = np.exp(profile) - floor
    offset_of_base = (base - np.median(base))[:, None]
    profile = ndimage.uniform_filter1d(profile, 3, axis=0, mode="wrap") - offset_of_base
    return np.asarray(profile)


def _crossing(profile: Floats, level: Floats, offsets: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Return where each profile first rises through its level for good, and whether it does."""
    above = profile > level[:, None]
    # The last place below the level that has only higher places up to the first maximum after it.
    first = np.argmax(above, axis=1)
    ok = above.any(axis=1) & (first > 0)
    first = np.maximum(first, 1)
    index = np.arange(profile.shape[0])
    a, b = profile[index, first - 1], profile[index, first]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.where(b > a, (level - a) / (b - a), 0.5)
    return offsets[first - 1] + t * (offsets[1] - offsets[0]), ok


def _roundness(theta: Floats, radius: Floats) -> float:
    """Return the scatter of places from the best circle through them, pixels."""
    px, py = radius * np.cos(theta), radius * np.sin(theta)
    try:
        a, b, r = algebraic_circle(px, py)
    except ValueError:
        return float("inf")
    left = np.hypot(px - a, py - b) - r
    return float(np.median(np.abs(left - np.median(left))))
