"""Noise-aware multiscale enhancement: a scale is amplified only where it stands above the noise.

The picture normalised by annuli, z, is split into n scales, differences of Gaussian blurs
``W_j = B_(j-1) - B_j`` with widths that double from ``finest_px`` as long as they are at most
``coarsest_radii`` solar radii: structure of the corona has all sizes up to that, and how many
pixels they are depends on the picture. In each scale the power ``P_j`` around a pixel is compared
with the power that SIGMA alone would give there, ``N_j``. The scale is multiplied by

    w_j = max(0, 1 - noise N_j / P_j),

which is Wiener's optimal factor for ``noise`` = 1, and amplified:

    out = B_n + sum over j of a_j w_j W_j,

``a_j`` falling from ``finest_gain`` at the finest scale to 1 at the coarsest. Errors of
neighbouring pixels of a merge are correlated, as if white noise had been blurred by
``correlation_px``, which ``N_j`` allows for; what white noise would give is the least it assumes.
Without SIGMA all power of the finest scale counts as noise.

At small and at large radius: close to the limb all scales stand above the noise and structure is
shown at full resolution; far out the finest scales vanish first, so that resolution falls with the
signal instead of noise taking over. ``out`` is in deviations of the annulus, noise included: where
that is all noise, the result is close to 0, not stretched.

References
----------
N. Wiener, *Extrapolation, interpolation, and smoothing of stationary time series* (1949); local
Wiener factors: J.-S. Lee, *Digital image enhancement and noise filtering by use of local
statistics*, IEEE Trans. PAMI 2 (1980) 165. Scales by undecimated wavelets: J.-L. Starck,
F. Murtagh, *Astronomical image and data analysis* (2002), chapter 2.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from limbward.filters.annulus import spread_out
from limbward.filters.flattened import Flat, RingParams, flattened, in_colours, noise_of, smoothed
from limbward.geometry.disc import Geometry
from limbward.picture.blur import Blur

Pixels = NDArray[np.float32]

NORMALISES = True
TAKES_NOISE = True
NEIGHBOURHOOD = 2.5  # widths of a scale over which its power is averaged


class Scales(RingParams):
    """Into which scales a picture is split, and what counts as noise in them."""

    finest_px: float = Field(
        default=1.25,
        ge=0.4,
        le=50,
        description="Width of the finest blur, pixels; each further one is twice as wide.",
    )
    coarsest_radii: float = Field(
        default=0.5, gt=0, le=2, description="No blur is wider than this, solar radii."
    )
    noise: float = Field(
        default=1.5, ge=0, le=20, description="How many times the power of the noise is subtracted."
    )
    correlation_px: float = Field(
        default=0.8,
        ge=0,
        le=10,
        description="Blur of the noise in the picture, pixels; 0 is white noise.",
    )


class Params(Scales):
    """Parameters of the filter."""

    finest_gain: float = Field(
        default=2.0, ge=0, le=20, description="Gain of the finest scale; 1 only removes noise."
    )


def widths(sun_radius_px: float, params: Scales) -> list[float]:
    """Return the widths of the blurs between which the scales lie, pixels, one at least.

    Examples
    --------
    >>> widths(88.0, Params())
    [1.25, 2.5, 5.0, 10.0, 20.0, 40.0]
    """
    out = [params.finest_px]
    while 2.0 * out[-1] <= params.coarsest_radii * sun_radius_px:
        out.append(2.0 * out[-1])
    return out


def scale_noise(inner: float, outer: float, correlation: float) -> float:
    """Return the deviation in a scale of noise that has the deviation 1 in the picture.

    Parameters
    ----------
    inner, outer : float
        Widths of the two Gaussians whose difference the scale is, pixels; 0 is no blur.
    correlation : float
        Width of the Gaussian that made the noise from white noise; 0 is white noise.
    """
    if correlation <= 0.0:
        # Sampled white noise: a pixel less its blur, 1 - 2 * the kernel's middle + its power.
        own = 1.0 - 1.0 / (np.pi * outer**2) if inner <= 0.0 else power(inner, inner)
        both = 0.0 if inner <= 0.0 else 2.0 * power(inner, outer)
        return float(np.sqrt(max(own - both + power(outer, outer), 0.0)))
    a, b = np.hypot(inner, correlation), np.hypot(outer, correlation)
    total = power(a, a) + power(b, b) - 2.0 * power(a, b)
    return float(np.sqrt(max(total, 0.0) / power(correlation, correlation)))


def power(a: float, b: float) -> float:
    """Return the integral of the product of two Gaussians of widths a and b in the plane."""
    return float(1.0 / (2.0 * np.pi * (a * a + b * b)))


def enhance(
    z: Pixels,
    variance: Pixels | None,
    visible: NDArray[np.bool_],
    blurs: Sequence[float],
    params: Params,
) -> Pixels:
    """Return one normalised plane (H, W) enhanced.

    Parameters
    ----------
    z : ndarray of float32, shape (H, W)
    variance : ndarray of float32, shape (H, W), or None
        Of its noise.
    visible : ndarray of bool, shape (H, W)
    blurs : sequence of float
        From `widths`.
    params : Params
    """
    weight = (np.isfinite(z) & visible).astype(np.float32)
    out = np.zeros(z.shape, np.float32)
    last, inner = z, 0.0
    for j, outer in enumerate(blurs):
        blurred = Blur(weight, outer)(z)
        scale = np.subtract(last, blurred, out=None if j == 0 else last)
        around = Blur(weight, NEIGHBOURHOOD * outer)(scale, square=True)
        # Whichever is more: noise that is whiter than thought would be amplified at the finest.
        expected = max(scale_noise(inner, outer, c) for c in (0.0, params.correlation_px)) ** 2
        if variance is None:
            variance = around / np.float32(expected)
        np.maximum(around, 1e-30, out=around)
        keep = np.divide(variance, around, out=around)
        keep *= -params.noise * expected
        keep += 1.0
        np.clip(keep, 0.0, 1.0, out=keep)
        t = j / (len(blurs) - 1) if len(blurs) > 1 else 0.0
        keep *= params.finest_gain ** (1.0 - t) if params.finest_gain > 0.0 else 0.0
        scale *= keep
        out += scale
        last, inner = blurred, outer
    out += last
    return out


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the enhanced picture.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
        NaN where there is no value.
    sigma : ndarray of float32, shape (C, H, W), or None
        Its noise, one standard deviation.
    geometry : Geometry
    params : Params

    Returns
    -------
    ndarray of float32, shape (C, H, W)
    """
    visible = geometry.visible(*image.shape[1:])
    flats = flattened(image, geometry, params)
    noises = [None] * len(flats) if sigma is None else noise_of(sigma, params.channels)
    blurs, planes = widths(geometry.sun_radius_px, params), []
    for rough in flats:
        flat, noise = smoothed(rough), noises.pop(0)
        z, variance = flat.z, None if noise is None else variance_of(noise, flat)
        del flat, noise  # 0.25 GB at 24 megapixels
        planes.append(enhance(z, variance, visible, blurs, params))
    return in_colours(planes, image)


def variance_of(noise: Pixels, flat: Flat) -> Pixels:
    """Return the variance of ``flat.z`` by the noise of its plane; NaN in that counts as none."""
    out = noise / spread_out(flat.deviation, noise.shape, flat.polar.geometry, flat.width_px)
    np.square(out, out=out)
    return np.nan_to_num(out, copy=False, nan=0.0, posinf=0.0)
