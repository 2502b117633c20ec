"""Suns of a few pixels: no limb to measure, so the whole blob of the corona is fitted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.disc import MeasuredDisc
from limbward.limb.corona import REACH, Crop
from limbward.limb.shift import FLOOR_PX, Shift

Floats = NDArray[np.float64]
Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

NO_LIMB = "the Moon is too small for its limb to be measured"
# Pixels of a plane. The corona falls by half within a tenth of the Moon's radius beyond the limb
# (Saito, Ann. Tokyo Astr. Obs. 12, 53, 1970): with a blur of a pixel that is no edge below this.
SMALL_RADIUS = 6.0
SEEN_SIGMA = 8.0  # of the mean of nine pixels, from which on a blob is one
SHARPEST = 0.15  # of a blob's brightest pixel, that two of its neighbours have: hot ones have none
# Of the brightest: prominences and the brighter side of the corona are that much brighter than what
# is all around the Sun, whose middle is the Sun's to a tenth of its radius.
CONTOUR, FAINTEST_SIGMA = 0.05, 2.0  # and of the mean's noise, at least
LARGEST = 3.5  # times the radius of a small Sun, that the contour of a clipped one can have
REACH_PX = 28.0  # kept around it, pixels of the plane: five radii of the Sun at least
MIDDLE = 0.04, 0.15  # error of the contour's middle as the Sun's: of its radius, and pixels beside
BLUR_PX = 1.0  # of both frames before they are compared: finer than that a mosaic does not sample
SAMPLED = (
    0.03  # of the slope across a pixel, to which the mean of a cell's greens is the light there
)
UNLIKE = 0.01  # of a pixel's brightness, to which two frames agree beyond noise
LEAST_PIXELS, LEAST_SNR = 30, 15.0  # compared; of all of them together
LEAST_SIDE = 5  # pixels of a crop
STEPS, SETTLED_PX, FURTHEST_PX = 15, 0.002, 8.0
CORRELATED = 2.0  # neighbouring pixels of the blurred frames are not independent


def bright_core(
    image: Image, saturated: Mask, scale: float = 1.0, origin: tuple[float, float] = (0.0, 0.0)
) -> MeasuredDisc | None:
    """Return the contour of the brightest light, if it is no larger than that of a small Sun.

    Parameters
    ----------
    image, saturated, scale, origin
        As for `limbward.limb.measure.measure`.

    Returns
    -------
    MeasuredDisc or None
        In full raw pixels: middle of what is within the contour, radius of a circle of the same
        area. ``sigma`` is how far the Sun may be from it.
    """
    sample = image[::4, ::4]
    level = float(np.median(sample))
    noise = max(1.4826 * float(np.median(np.abs(sample - level))), 0.3)
    light = np.asarray(image - np.float32(level))
    if saturated.any():
        light = np.where(saturated, light.max(), light)
    mean = ndimage.uniform_filter(light, 3)
    peak = int(np.argmax(mean))
    height = float(mean.flat[peak])
    row, column = np.unravel_index(peak, mean.shape)
    nine = np.sort(light[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2], axis=None)
    if height < SEEN_SIGMA * noise / 3.0 or nine[-3] < SHARPEST * nine[-1]:
        return None
    labels, _ = ndimage.label(mean > max(CONTOUR * height, FAINTEST_SIGMA * noise / 3.0))
    inside = ndimage.binary_fill_holes(labels == labels.flat[peak])
    y, x = np.nonzero(inside)
    radius = float(np.sqrt(x.size / np.pi))
    if radius > LARGEST * SMALL_RADIUS:
        return None
    return MeasuredDisc(
        origin[0] + scale * float(x.mean()),
        origin[1] + scale * float(y.mean()),
        scale * radius,
        scale * (MIDDLE[0] * radius + MIDDLE[1]),
    )


def around(core: MeasuredDisc, scale: float) -> MeasuredDisc:
    """Return a disc about a core whose `limbward.limb.corona.crop_corona` shows all it can."""
    return replace(core, radius=REACH_PX * scale / REACH)


def register_blobs(
    first: Crop,
    second: Crop,
    sun_first: tuple[float, float],
    sun_second: tuple[float, float],
    *,
    turn_deg: float = 0.0,
    gain: float = 1.0,
) -> Shift | None:
    """Register two frames of a corona of a few pixels.

    Parameters
    ----------
    first, second : Crop
    sun_first, sun_second : tuple of float
        Assumed centres of the Sun (x, y), full raw pixels.
    turn_deg : float
        Assumed turn of the second frame onto the first, as for `limbward.limb.shift.register`.
    gain : float
        Electrons an ADU.

    Returns
    -------
    Shift or None
        None where the frames have too little in common. A turn is not solved for.

    Notes
    -----
    One frame is the other one shifted, times a factor, with a sky that slopes: least squares with
    the noise of both, on what is not clipped in either. The Moon within moves by a twentieth of
    its radius in totality, which is left out.
    """
    if min(*first.values.shape, *second.values.shape) < LEAST_SIDE:
        return None  # beside the edge of a frame
    a, b = _Blob(first, gain), _Blob(second, gain)
    rows, columns = np.nonzero(b.usable)
    ux = second.origin[0] + second.scale * columns - sun_second[0]
    uy = second.origin[1] + second.scale * rows - sun_second[1]
    cos, sin = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    vx, vy = cos * ux - sin * uy, sin * ux + cos * uy
    value, variance = (v[rows, columns].astype(float) for v in (b.value, b.variance))
    p, factor = np.zeros(2), 1.0
    for _ in range(STEPS):
        at = [
            (sun_first[1] + p[1] + vy - first.origin[1]) / first.scale,
            (sun_first[0] + p[0] + vx - first.origin[0]) / first.scale,
        ]
        seen = ndimage.map_coordinates(a.usable.astype(np.float32), at, order=1) > 0.999
        if seen.sum() < LEAST_PIXELS:
            return None
        there = [[c[seen] for c in at], value[seen]]
        found = _step(a, there[0], there[1], variance[seen], ux[seen], uy[seen], factor)
        if found is None:
            return None
        step, factor, covariance, likeness = found
        p += step
        if np.hypot(*p) > FURTHEST_PX * first.scale:
            return None
        if np.hypot(*step) < SETTLED_PX:
            break
    sigma = CORRELATED * float(np.sqrt(0.5 * np.trace(covariance)))
    return Shift(
        float(p[0]), float(p[1]), 0.0, float(np.hypot(sigma, FLOOR_PX)), float("nan"), likeness
    )


class _Blob:
    """A crop ready to be compared: blurred, with the variance of its pixels and which can be."""

    def __init__(self, crop: Crop, gain: float) -> None:
        clipped = ~np.isfinite(crop.values)
        filled = np.where(clipped, np.nanmax(crop.values, initial=0.0), crop.values)
        edge = np.quantile(filled, 0.2)
        dark = filled[filled <= np.quantile(filled, 0.5)]
        noise = max(1.4826 * float(np.median(np.abs(dark - np.median(dark)))), 0.3)
        self.scale = crop.scale
        self.value = ndimage.gaussian_filter(filled, BLUR_PX, truncate=2.0) - np.float32(edge)
        self.slope_y, self.slope_x = np.gradient(self.value)
        slope = np.hypot(self.slope_x, self.slope_y)
        self.variance = (
            noise**2
            + np.maximum(self.value, 0.0) / gain
            + (SAMPLED * slope) ** 2
            + (UNLIKE * self.value) ** 2
        )
        # The blur reaches two pixels, and clipped ones bloom.
        self.usable = ~ndimage.binary_dilation(clipped, np.ones((5, 5)))


def _step(
    a: _Blob, at: list[Floats], value: Floats, variance: Floats, ux: Floats, uy: Floats, was: float
) -> tuple[Floats, float, Floats, float] | None:
    """Return a step of the shift, the factor, the shift's covariance and how alike both are."""
    model, gx, gy, own = (
        ndimage.map_coordinates(v.astype(np.float64), at, order=3 if v is a.value else 1)
        for v in (a.value, a.slope_x, a.slope_y, a.variance)
    )
    reach = float(np.hypot(ux, uy).max())
    smooth = np.column_stack([model, np.ones_like(model), ux / reach, uy / reach])
    root = 1.0 / np.sqrt(variance + was**2 * own)
    for _ in range(3):
        start = np.linalg.lstsq(smooth * root[:, None], value * root, rcond=None)[0]
        factor = float(start[0])
        if factor <= 0.0:
            return None
        root = 1.0 / np.sqrt(variance + factor**2 * own)
    design = np.column_stack([factor * gx / a.scale, factor * gy / a.scale, smooth])
    robust = root
    for _ in range(3):
        weighted = design * robust[:, None]
        size = np.sqrt((weighted**2).sum(axis=0))
        if size.min() <= 0.0:
            return None
        normal = (weighted / size).T @ (weighted / size)
        if np.linalg.cond(normal) > 1e10:
            return None
        inverse = np.linalg.inv(normal) / np.outer(size, size)
        solution = inverse @ (weighted.T @ (value * robust))
        rest = (value - design @ solution) * root
        spread = max(1.4826 * float(np.median(np.abs(rest))), 1.0)
        robust = root / np.sqrt(1.0 + (rest / (4.0 * spread)) ** 2)
    light = factor * (model - np.median(model))
    if float(np.sqrt(np.sum((light * root) ** 2))) < LEAST_SNR:
        return None
    pair = np.corrcoef((light * root), (value - smooth[:, 1:] @ solution[3:]) * root)
    return solution[:2], factor, inverse[:2, :2] * spread**2, float(pair[0, 1])
