"""The part of a frame around the filtered Sun, in bins, with what each bin may be off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from limbward.picture.binning import block_mean

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

RADIUS_PX = 32.0  # of the binned Sun: the fit's errors stay under 0.002 of its pixels
THICK_PX = 4.0  # bins across a thin crescent, at least, where the frame has them
SAMPLE_PX = 0.9  # pixels of the frame a sample
MARGIN = 0.25  # of the Sun's radius, around what is lit
SCALES = (0.1, 0.25, 0.6, 1.5)  # of the wings of scattered light, in solar radii
SHORTEST_BINS = (4.0, 8.0, 16.0, 32.0)  # and at least this many bins
# Flat field, granulation, spots and the Moon's relief (0.4 arcsec rms): of the light around.
MODEL_ERROR = 0.015
# Of the step across an edge, on both sides alike, so that a blur of another form moves no limb.
EDGE_ERROR = 0.05
# At the Moon's limb its mountains move the edge alike over several bins.
RELIEF_ERROR = 0.1
GLOW_ERROR = 0.04  # of the light within a tenth of a radius: no blur is quite a Gaussian


@dataclass(frozen=True)
class SunCut:
    """The binned part of a frame that is fitted.

    Attributes
    ----------
    value, error : ndarray, shape (h, w)
        Brightness, and what a model of it may be off.
    clipped : ndarray of bool, shape (h, w)
        Whether a bin holds a clipped pixel or is beside one that does.
    glow : ndarray, shape (len(SCALES), h, w)
        The frame's own light in wings of each width.
    origin : tuple of float
        x, y of the centre of the first bin, pixels of the frame; the next are ``step`` apart.
    step, over : int
        Side of a bin, pixels, and samples along it.
    """

    value: Floats
    error: Floats
    clipped: Mask
    glow: Floats
    origin: tuple[float, float]
    step: int
    over: int


def cut_sun(
    image: NDArray[np.float32],
    saturated: Mask,
    sun: tuple[float, float, float],
    moon: tuple[float, float, float] | None,
    noise: float,
) -> SunCut | None:
    """Return the part of a frame where the Sun shines, in bins.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
    saturated : ndarray of bool, shape (h, w)
    sun : (x, y, radius)
        Near the Sun's circle, pixels.
    moon : (x, y, radius) or None
        Near the Moon's. Bins are smaller in a thin crescent.
    noise : float
        Standard deviation of a dark pixel.

    Returns
    -------
    SunCut or None
        None if nothing is lit there.
    """
    x, y, radius = sun
    thickest = 2 * radius
    if moon is not None:
        thickest = radius - moon[2] + float(np.hypot(moon[0] - x, moon[1] - y))
    step = max(1, int(min(radius / RADIUS_PX, max(thickest, 1.0) / THICK_PX)))
    h, w = (n // step for n in image.shape)
    if min(h, w) < 8:
        return None
    small = block_mean(image, step)
    clipped = saturated[: h * step, : w * step].reshape(h, step, w, step).any(axis=(1, 3))
    clipped = ndimage.binary_dilation(clipped)
    first = (step - 1) / 2.0
    reach = radius * 1.2 + 4.0 * step
    near = _box(small.shape, (y - first) / step, (x - first) / step, reach / step)
    lit = small[near] > 0.1 * float(np.quantile(small[near], 0.999))
    if min(lit.shape) < 8 or not lit.any():
        return None
    rows, columns = (np.flatnonzero(lit.any(axis=a)) for a in (1, 0))
    pad = int(MARGIN * radius / step + 6)
    box = tuple(
        slice(max(0, s.start + k[0] - pad), min(n, s.start + k[-1] + 1 + pad))
        for s, k, n in zip(near, (rows, columns), (h, w), strict=True)
    )
    largest = ndimage.maximum_filter(small[box], 3)
    contrast = largest - ndimage.minimum_filter(small[box], 3)
    glow = _glow(small, radius / step, (box[0], box[1]))
    error = np.sqrt(
        max(noise / step, _row_noise(small[box])) ** 2
        + (MODEL_ERROR * np.maximum(largest, 0.0)) ** 2
        + (EDGE_ERROR * contrast) ** 2
        + (RELIEF_ERROR * contrast * _by_moon(small.shape, box, step, sun, moon)) ** 2
        + (GLOW_ERROR * np.maximum(glow[0], 0.0)) ** 2
    )
    over = int(np.clip(np.ceil(step / SAMPLE_PX), 2 if step == 1 else 3, 5))
    origin = first + step * box[1].start, first + step * box[0].start
    return SunCut(small[box], error, clipped[box], glow, origin, step, over)


def _box(shape: tuple[int, ...], y: float, x: float, reach: float) -> tuple[slice, slice]:
    """Return the part of an image within ``reach`` of a place along both axes."""
    return (
        slice(max(0, int(y - reach)), max(0, min(shape[0], int(y + reach) + 2))),
        slice(max(0, int(x - reach)), max(0, min(shape[1], int(x + reach) + 2))),
    )


def _by_moon(
    shape: tuple[int, ...],
    box: tuple[slice, ...],
    step: int,
    sun: tuple[float, float, float],
    moon: tuple[float, float, float] | None,
) -> Mask:
    """Return which bins lie nearer to the Moon's limb than to the Sun's."""
    rows, columns = (
        np.arange(n)[b] * step + (step - 1) / 2 for n, b in zip(shape, box, strict=True)
    )
    if moon is None:
        return np.zeros((rows.size, columns.size), bool)
    near = [
        np.abs(np.hypot(columns[None, :] - c[0], rows[:, None] - c[1]) - c[2]) for c in (sun, moon)
    ]
    return np.asarray(near[1] < near[0])


def _row_noise(value: Floats) -> float:
    """Return the noise from row to row of the darker half of a picture; banding is in it."""
    change = np.abs(np.diff(value, axis=0))[value[:-1] <= np.median(value)]
    return float(np.median(change)) * 1.4826 / np.sqrt(2.0) if change.size else 0.0


def _glow(small: Floats, radius: float, box: tuple[slice, slice]) -> Floats:
    """Return the light of a binned frame spread into exponential wings of each scale."""
    # Beyond three radii from the box no light reaches it that a plane would not follow.
    pad = int(3 * radius)
    wide = tuple(
        slice(max(s.start - pad, 0), min(s.stop + pad, n))
        for s, n in zip(box, small.shape, strict=True)
    )
    # In single precision: it is good to a millionth, and a wing need be to a few per cent.
    light = np.maximum(small[wide], 0.0).astype(np.float32)
    inner = tuple(
        slice(s.start - o.start, s.stop - o.start) for s, o in zip(box, wide, strict=True)
    )
    # So much that what is wrapped around comes from as far.
    shape = [fft.next_fast_len(n + pad, real=True) for n in light.shape]
    spectrum = fft.rfft2(light, shape)
    fy, fx = fft.fftfreq(shape[0])[:, None], fft.rfftfreq(shape[1])[None, :]
    k = (2 * np.pi * np.hypot(fx, fy)).astype(np.float32)
    # exp(-r / s) / r, whose transform is 1 / sqrt(1 + (k s)^2), of unit sum.
    # Wings as narrow as the blur would be the picture itself.
    lengths = [max(s * radius, n) for s, n in zip(SCALES, SHORTEST_BINS, strict=True)]
    wings = [fft.irfft2(spectrum / np.sqrt(1 + (k * s) ** 2), shape) for s in lengths]
    return np.array([wing[: light.shape[0], : light.shape[1]][inner] for wing in wings])
