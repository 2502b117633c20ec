"""Whether the camera moved during an exposure, by the Moon's limb: soft across, sharp along."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.camera.luminance import Plane
from limbward.geometry.disc import MeasuredDisc

Floats = NDArray[np.float64]

SECTORS = 48
RAYS = 5  # a sector, averaged against noise
REACH_PX = 12.0  # of the plane, on either side of the limb
STEP_PX = 0.25
LEAST_SNR = 8.0  # of an edge whose width is measured
LEAST_FRAMES = 4
LEAST_SECTORS = 16  # of 48, spread over half the limb, that tell a direction
VISIBLE = 2.35  # times the blur's sigma: a trail as long as the blur is wide at half its height
LEAST_PX = 3.0  # no trail shorter than that spoils a picture of a mosaic sensor
OUTLIER = 3.0  # times the median of the misfits


def trail_px(plane: Plane, moon: MeasuredDisc) -> float:
    """Return how far the picture moved during the exposure, full raw pixels; NaN if not told.

    Parameters
    ----------
    plane : Plane
    moon : MeasuredDisc
        In full raw pixels.

    Notes
    -----
    An edge that is smeared over a length L has, seen at the angle a to the motion, the variance
    w^2 + (L cos a)^2 / 12 across, where w is the blur without motion. The variance of a blurred
    step of height H is that of a normal curve of the steepest slope, H / (slope sqrt(2 pi)). So the
    variances of the sectors are fitted with a constant and the second harmonic of the angle. Where
    the limb is clipped it tells nothing.
    """
    x = (moon.x - plane.origin[0]) / plane.scale
    y = (moon.y - plane.origin[1]) / plane.scale
    r = moon.radius / plane.scale
    reach = min(REACH_PX, 0.25 * r)
    if r < 8.0:
        return np.nan
    offset = np.arange(-reach, reach + STEP_PX / 2, STEP_PX)
    theta = (np.arange(SECTORS * RAYS) + 0.5) * (2 * np.pi / (SECTORS * RAYS))
    rows = y + np.sin(theta)[:, None] * (r + offset)
    columns = x + np.cos(theta)[:, None] * (r + offset)
    value = ndimage.map_coordinates(plane.image, [rows, columns], order=1, cval=np.nan)
    clipped = ndimage.map_coordinates(
        plane.saturated.astype(np.float32), [rows, columns], order=1, cval=1.0
    )
    profile = value.reshape(SECTORS, RAYS, -1).mean(axis=1)
    clear = (clipped.reshape(SECTORS, RAYS, -1) == 0).all(axis=(1, 2)) & np.isfinite(profile).all(1)
    # Over half a pixel on either side, so that noise does not make the slope.
    width = round(1.0 / STEP_PX)
    slope = (profile[:, width:] - profile[:, :-width]) / (width * STEP_PX)
    inside = np.median(profile[:, : offset.size // 4], axis=1)
    noise = np.std(np.diff(profile[:, : offset.size // 4 : width], axis=1), axis=1) / np.sqrt(2.0)
    steepest = np.max(slope, axis=1, initial=-np.inf)
    top = np.max(profile, axis=1)
    height = top - inside
    with np.errstate(divide="ignore", invalid="ignore"):
        variance = (height / steepest) ** 2 / (2 * np.pi)
    good = clear & (height > LEAST_SNR * np.maximum(noise, 1e-6)) & np.isfinite(variance)
    good &= steepest > 0
    return plane.scale * _length(theta.reshape(SECTORS, RAYS).mean(axis=1), variance, good)


def trailed(trail: Floats, limb_width: Floats) -> NDArray[np.bool_]:
    """Return which frames of a camera moved visibly during their exposure.

    Parameters
    ----------
    trail : ndarray, shape (N,)
        As of `trail_px`; NaN where not told.
    limb_width : ndarray, shape (N,)
        Blur of the limb (sigma), pixels.

    Notes
    -----
    What all frames show alike is no motion: pixels blur more along their diagonals, and a corona
    that is steeper on one side widens the limb there.
    """
    told = np.isfinite(trail)
    if told.sum() < LEAST_FRAMES:
        return np.zeros(trail.size, bool)
    beyond = np.where(told, np.maximum(trail, 0.0) ** 2 - np.median(trail[told]) ** 2, 0.0)
    width = limb_width[np.isfinite(limb_width)]
    least = max(LEAST_PX, VISIBLE * float(np.median(width)) if width.size else 0.0)
    return np.asarray(beyond > least**2)


def _length(angle: Floats, variance: Floats, good: NDArray[np.bool_]) -> float:
    """Return the length of a trail from the variances of edges at some angles; NaN if too few."""
    design = np.column_stack([np.ones_like(angle), np.cos(2 * angle), np.sin(2 * angle)])
    for _ in range(4):
        if good.sum() < LEAST_SECTORS or np.linalg.cond(design[good]) > 10.0:
            return np.nan
        found = np.linalg.lstsq(design[good], variance[good], rcond=None)[0]
        miss = np.abs(variance - design @ found)
        good = good & (miss <= OUTLIER * max(float(np.median(miss[good])), 1e-6) * 1.5)
    # L^2 / 12 cos^2 a = L^2 / 24 (1 + cos 2a)
    return float(np.sqrt(24.0 * np.hypot(found[1], found[2])))
