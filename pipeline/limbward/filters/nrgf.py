"""The normalizing-radial-graded filter: each annulus gets the mean 0 and the deviation 1.

References
----------
H. Morgan, S. R. Habbal, R. Woo, *The depiction of coronal structure in white-light images*,
Solar Physics 236 (2006) 263.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from limbward.filters.geometry import Geometry

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

LUMINANCE = np.array([0.25, 0.5, 0.25])  # a colour filter array's share of the light
BANDS = 16
PASSES = 8
ENOUGH = 2e-5
MIN_PIXELS = 40


class Params(BaseModel):
    """Parameters of the filter."""

    model_config = ConfigDict(extra="forbid")

    channels: Literal["luminance", "each"] = Field(
        default="luminance",
        description="'luminance' filters the mean of the colours and returns it in each; 'each' "
        "filters every colour by itself.",
    )
    width_px: float = Field(default=1.0, gt=0, le=100, description="Width of an annulus, pixels.")


def _measure_bands(
    image: Pixels,
    visible: NDArray[np.bool_],
    sun_x: float,
    sun_y: float,
    width: float,
    mean: Floats,
    deviation: Floats,
    sums: Floats,
) -> None:
    """Add up count, value and square of the normalised pixels of each annulus, by bands of rows."""
    n = mean.size
    height, columns = image.shape
    bands = sums.shape[0]
    for band in prange(bands):
        for y in range(band * height // bands, (band + 1) * height // bands):
            for x in range(columns):
                value = image[y, x]
                if not visible[y, x] or not np.isfinite(value):
                    continue
                r = np.sqrt((x - sun_x) ** 2 + (y - sun_y) ** 2) / width
                k = int(r)
                at = min(max(r - 0.5, 0.0), n - 1.001)
                lower = int(at)
                part = at - lower
                m = mean[lower] * (1.0 - part) + mean[lower + 1] * part
                s = deviation[lower] * (1.0 - part) + deviation[lower + 1] * part
                z = (value - m) / s
                sums[band, 0, k] += 1.0
                sums[band, 1, k] += z
                sums[band, 2, k] += z * z


def _normalise_bands(
    image: Pixels, sun_x: float, sun_y: float, width: float, mean: Floats, deviation: Floats
) -> None:
    """Normalise a picture in place."""
    n = mean.size
    height, columns = image.shape
    for y in prange(height):
        for x in range(columns):
            r = np.sqrt((x - sun_x) ** 2 + (y - sun_y) ** 2) / width
            at = min(max(r - 0.5, 0.0), n - 1.001)
            lower = int(at)
            part = at - lower
            m = mean[lower] * (1.0 - part) + mean[lower + 1] * part
            s = deviation[lower] * (1.0 - part) + deviation[lower + 1] * part
            image[y, x] = np.float32((image[y, x] - m) / s)


measure_bands = njit(parallel=True, nogil=True, cache=True)(_measure_bands)
normalise_bands = njit(parallel=True, nogil=True, cache=True)(_normalise_bands)


def annulus_profiles(
    image: Pixels, geometry: Geometry, width_px: float = 1.0
) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of a picture as functions of the distance from the Sun.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
    geometry : Geometry
    width_px : float
        Width of an annulus.

    Returns
    -------
    mean, deviation : ndarray of float64
        At the middles of the annuli, ``(k + 0.5) * width_px`` from the Sun's centre, to be
        interpolated linearly. Annuli of fewer than 40 pixels have their neighbours' values.

    Notes
    -----
    The mean of a steep, curved profile over an annulus is not its value in the middle. The
    profiles are therefore corrected by the mean and deviation of what they normalise, until these
    are 0 and 1.
    """
    height, width = image.shape
    corners = [
        np.hypot(x - geometry.sun_x, y - geometry.sun_y)
        for x in (0, width - 1)
        for y in (0, height - 1)
    ]
    n = int(max(corners) / width_px) + 2
    visible = geometry.visible(height, width)
    mean, deviation = np.zeros(n), np.ones(n)
    for turn in range(PASSES):
        sums = np.zeros((BANDS, 3, n))
        measure_bands(
            image, visible, geometry.sun_x, geometry.sun_y, width_px, mean, deviation, sums
        )
        count, first, second = sums.sum(axis=0)
        good = count >= MIN_PIXELS
        if not good.any():
            return mean, deviation
        m = first[good] / count[good]
        s = np.sqrt(np.maximum(second[good] / count[good] - m**2, 0.0))
        if turn == 0:
            s = np.maximum(s, 1e-9 * max(float(np.abs(m).max()), 1e-30))  # a flat annulus
        middle = np.arange(n)
        step = np.interp(middle, middle[good], m)
        mean += step * deviation
        deviation *= np.maximum(np.interp(middle, middle[good], s), 1e-3)
        if np.abs(m).max() < ENOUGH and np.abs(s - 1.0).max() < ENOUGH:
            break
    return mean, deviation


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the normalised picture.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
        NaN where there is no value.
    sigma : ndarray or None
        Not used.
    geometry : Geometry
        Annuli are centred on the Sun; the Moon's disc does not count.
    params : Params

    Returns
    -------
    ndarray of float32, shape (C, H, W)
    """
    if params.channels == "luminance" and image.shape[0] == 3:
        work = np.tensordot(LUMINANCE.astype(np.float32), image, axes=1)[None]
    else:
        work = np.array(image, np.float32)
    for plane in work:
        mean, deviation = annulus_profiles(plane, geometry, params.width_px)
        normalise_bands(plane, geometry.sun_x, geometry.sun_y, params.width_px, mean, deviation)
    if work.shape != image.shape:
        work = np.repeat(work, image.shape[0], axis=0)
    return np.asarray(work, np.float32)
