"""What stands out of a wide frame: the Sun or the corona, and points like stars."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import (
    find_objects,
    gaussian_filter,
    label,
    maximum_filter,
    uniform_filter,
)

Floats = NDArray[np.float64]
Plane = NDArray[np.float32]

POINT_PX = 1.0  # sigma of what points are looked for with; lenses and bins blur them by about that
WIDE_PX = 4.0  # of what is taken off as their surroundings
SIGNIFICANT = 6.0  # noises above the surroundings: one in 1e9 pixels of pure noise
LEAST_REACH = 9.0  # pixels around the Sun that are summed: a crescent's horns are faint
RING_WIDTH = 2.5  # outer over inner radius of the ring in which the level beside it is measured
RING_PX = 4  # a point stands out of all that is this far away; an edge does not
MOST_POINTS = 80
BRIGHT = 0.03  # of white: less than this is not the Sun
WIDEST = 0.12  # of the frame's longer side: more than this is sky, cloud or a wall in the light
WINDOW_PX = 1.5  # sigma of the window in which a point's middle is measured


@dataclass(frozen=True)
class SunSpot:
    """The brightest compact light of a frame, in pixels of the plane.

    Attributes
    ----------
    x, y : float
        Middle of its light; of its area where it is overexposed.
    area : float
        Pixels above half of its height.
    flux : float
        ADU above its surroundings, summed; NaN where it is overexposed.
    peak : float
        ADU above black.
    clipped : bool
        Whether it is overexposed.
    around : float
        Level of the frame beside it, ADU.
    """

    x: float
    y: float
    area: float
    flux: float
    peak: float
    clipped: bool
    around: float


@dataclass(frozen=True)
class Points:
    """Points in a frame, the most significant first; every array has shape (N,).

    ``x`` and ``y`` are in pixels of the plane, ``sigma`` is the error of each of them, ``flux`` is
    in ADU, ``significance`` in noises.
    """

    x: Floats
    y: Floats
    sigma: Floats
    flux: Floats
    significance: Floats


def find_sun(plane: Plane, white: float) -> SunSpot | None:
    """Return the Sun, or the corona, as the brightest compact light of a frame; None without one.

    Parameters
    ----------
    plane : ndarray, shape (h, w)
        ADU above black, NaN where the sensor is saturated.
    white : float
        Range of the sensor above black, ADU.
    """
    clipped = np.isnan(plane)
    full = np.where(clipped, white, plane).astype(np.float32)
    smooth = gaussian_filter(full, 0.7)
    around = float(np.median(full))
    peak = float(smooth.max())
    if peak < BRIGHT * white or peak < 4.0 * around:
        return None
    found = _compact(smooth, around, peak)
    if found is None:
        return None
    rows, columns = found
    area = float(rows.size)
    y0, x0 = rows.mean(), columns.mean()
    extent = max(np.ptp(rows), np.ptp(columns))
    lit = clipped[rows, columns].any()
    reach = int(np.ceil(max(4.0 if lit else LEAST_REACH, 1.5 * extent + 3.0)))
    top, left = max(0, int(y0) - reach), max(0, int(x0) - reach)
    box = full[top : int(y0) + reach + 1, left : int(x0) + reach + 1].astype(float)
    holed = bool(clipped[top : int(y0) + reach + 1, left : int(x0) + reach + 1].any())
    beside = _level_around(full, y0, x0, reach)
    y, x = np.mgrid[: box.shape[0], : box.shape[1]].astype(float)
    round_it = np.hypot(y + top - y0, x + left - x0) <= reach
    # Where it is overexposed the area counts, else the light.
    weight = np.clip(box - beside, 0.0, 0.5 * (white - beside)) if holed else box - beside
    weight = np.where(round_it, weight, 0.0)
    total = float(weight.sum())
    if total <= 0.0:
        return None
    return SunSpot(
        left + float((weight * x).sum()) / total,
        top + float((weight * y).sum()) / total,
        area,
        float("nan") if holed else total,
        peak,
        holed,
        beside,
    )


def _level_around(full: Plane, y0: float, x0: float, reach: int) -> float:
    """Return the median of a wide ring, which is known better than a thin crescent's light."""
    far = int(RING_WIDTH * reach)
    top, left = max(0, int(y0) - far), max(0, int(x0) - far)
    box = full[top : int(y0) + far + 1, left : int(x0) + far + 1]
    y, x = np.ogrid[: box.shape[0], : box.shape[1]]
    return float(np.median(box[np.hypot(y + top - y0, x + left - x0) > reach]))


def _compact(
    smooth: Plane, around: float, peak: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Return rows and columns of the largest compact bright patch; a bright horizon is none."""
    for level in (0.5, 0.9):
        bright, count = label(smooth > around + level * (peak - around))
        patches = []
        for k, (rows, columns) in enumerate(find_objects(bright), start=1):
            extent = max(rows.stop - rows.start, columns.stop - columns.start)
            if extent <= WIDEST * max(smooth.shape):
                patches.append((int(np.count_nonzero(bright[rows, columns] == k)), k))
        if count and patches:
            found = np.nonzero(bright == max(patches)[1])
            return found[0], found[1]
    return None


def find_points(plane: Plane, white: float, sun: SunSpot | None = None) -> Points:
    """Return points of light in a frame, such as planets, stars and lamps.

    Parameters
    ----------
    plane : ndarray, shape (h, w)
        ADU above black, NaN where the sensor is saturated.
    white : float
    sun : SunSpot, optional
        Nothing is looked for in its glow.

    Notes
    -----
    A difference of two Gaussians, in units of its own local noise. The middle of each is the
    centroid in a Gaussian window that is moved until it stays, which is free of the bias of a
    threshold.
    """
    full = np.where(np.isnan(plane), white, plane).astype(np.float32)
    near = gaussian_filter(full, 0.7)
    fine = near - gaussian_filter(full, WIDE_PX)
    clip = 5.0 * 1.4826 * float(np.median(np.abs(fine[::3, ::3]))) + 1e-6
    square = np.clip(fine.astype(float), -clip, clip) ** 2
    noise = np.sqrt(np.maximum(uniform_filter(square, 41), 0.0)) + 1e-6
    peak = (fine > SIGNIFICANT * noise) & (fine == maximum_filter(fine, size=5))
    peak[:7], peak[-7:], peak[:, :7], peak[:, -7:] = False, False, False, False
    rows, columns = np.nonzero(peak)
    significance = (fine / noise)[rows, columns].astype(float)
    keep = _above_ring(near, rows, columns) > 0.6 * SIGNIFICANT * noise[rows, columns]
    if sun is not None:
        glow = 2.5 * np.sqrt(sun.area / np.pi) + 5.0
        keep &= np.hypot(rows - sun.y, columns - sun.x) > glow
    order = np.flatnonzero(keep)
    order = order[np.argsort(-significance[order], kind="stable")][:MOST_POINTS]
    found = [_centred(full, int(rows[k]), int(columns[k])) for k in order]
    x, y, flux = np.array(found).reshape(-1, 3).T
    significance = significance[order]
    # The error of a centroid: the blur over the significance, and what pixels do to small points.
    sigma = np.hypot(1.5 / np.maximum(significance, 1.0), 0.05)
    return Points(x, y, sigma, flux, significance)


def _above_ring(smooth: Plane, rows: NDArray[np.int64], columns: NDArray[np.int64]) -> Floats:
    """Return how far pixels stand above all of a ring around them; an edge's do not."""
    angle = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    dy = np.rint(RING_PX * np.sin(angle)).astype(int)
    dx = np.rint(RING_PX * np.cos(angle)).astype(int)
    ring = smooth[rows[:, None] + dy, columns[:, None] + dx]
    return np.asarray(smooth[rows, columns] - ring.max(axis=1, initial=-np.inf), float)


def _centred(full: Plane, row: int, column: int) -> tuple[float, float, float]:
    """Return the middle (x, y) of a point and its light, by a window that follows it."""
    top, left = max(0, row - 6), max(0, column - 6)
    box = full[top : row + 7, left : column + 7].astype(float)
    box -= np.median(box)
    y, x = np.mgrid[: box.shape[0], : box.shape[1]].astype(float)
    cy, cx = float(row - top), float(column - left)
    for _ in range(20):
        window = np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / WINDOW_PX**2) * box
        total = window.sum()
        if total <= 0.0:
            break
        dx, dy = 2.0 * (window * (x - cx)).sum() / total, 2.0 * (window * (y - cy)).sum() / total
        if max(abs(dx), abs(dy)) > 2.0:
            break
        cx, cy = cx + dx, cy + dy
        if max(abs(dx), abs(dy)) < 1e-3:
            break
    near = np.hypot(x - cx, y - cy) < 4.0
    return left + cx, top + cy, float(box[near].sum())
