"""Noise reduction by the noise that a merge states: what stands above it stays as it is.

For use before another filter, above all on a merge of one frame or of a few. The picture normalised
by annuli is split into scales, and each scale is multiplied by Wiener's factor for the power that
SIGMA alone would give it (see ``multiscale``, whose scales these are; no scale is amplified). What
that changes is brought to the picture's own units, so that the radial fall, the level of each
annulus and the colours stay, and only a share of it is applied:

    out = image + strength d (W(z) - z),     z = (image - m) / d,

with m and d the mean and deviation of the annuli and W the sum of the weighted scales.

At small and at large radius: close to the limb nearly all scales stand above the noise, and the
picture hardly changes. Far out fine detail vanishes first. Where there is nothing but noise, the
rest of the noise keeps its fine grain, so that a filter that comes next and brings every
annulus to the same contrast finds grain there, not the soft blots that a complete removal leaves,
which look like structure.

References
----------
N. Wiener, *Extrapolation, interpolation, and smoothing of stationary time series* (1949); local
Wiener factors: J.-S. Lee, *Digital image enhancement and noise filtering by use of local
statistics*, IEEE Trans. PAMI 2 (1980) 165.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field
from scipy.signal import savgol_filter

from limbward.filters import multiscale
from limbward.filters.annulus import MIN_PIXELS, spread_out
from limbward.filters.flattened import (
    Flat,
    flattened,
    in_colours,
    noise_of,
    planes_of,
    smoothed,
)
from limbward.geometry.disc import Geometry

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

NORMALISES = False
TAKES_NOISE = True
RINGS = 11  # over which the logarithm of the annuli's means is taken for a cubic


class Params(multiscale.Scales):
    """Parameters of the filter."""

    channels: Literal["luminance", "each"] = Field(
        default="each",
        description="luminance filters the mean of the colours and returns it in all three; each "
        "filters every colour on its own.",
    )
    strength: float = Field(
        default=0.75,
        ge=0,
        le=1,
        description="Share of the noise that is removed. What is left keeps grain that a later "
        "filter cannot take for structure; 1 leaves soft blots.",
    )
    coarsest_radii: float = Field(
        default=1.0, gt=0, le=2, description="No blur is wider than this, solar radii."
    )


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the picture with less noise, in its own units.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
        NaN where there is no value.
    sigma : ndarray of float32, shape (C, H, W), or None
        Its noise, one standard deviation; without it the finest scale counts as noise.
    geometry : Geometry
    params : Params

    Returns
    -------
    ndarray of float32, shape (C, H, W)
    """
    scales = multiscale.Params(**params.model_dump(exclude={"strength"}), finest_gain=1.0)
    visible = geometry.visible(*image.shape[1:])
    blurs = multiscale.widths(geometry.sun_radius_px, scales)
    noises = None if sigma is None else noise_of(sigma, params.channels)
    planes = []
    for k, rough in enumerate(flattened(image, geometry, params)):
        flat = smoothed(rough)
        variance = None if noises is None else multiscale.variance_of(noises[k], flat)
        # With the noise of the rings' own means, which would be left as circles else.
        own = off_the_fall(flat) / flat.deviation
        z = flat.z + spread_out(own, flat.z.shape, geometry, flat.width_px)
        out = multiscale.enhance(z, variance, visible, blurs, scales)
        out -= z
        out *= spread_out(flat.deviation, out.shape, geometry, flat.width_px)
        out *= np.float32(params.strength)
        out[~(visible & np.isfinite(out))] = 0.0  # nothing there is known to be noise
        out += planes_of(image, params.channels)[k]
        planes.append(out)
    return in_colours(planes, image)


def off_the_fall(flat: Flat) -> Floats:
    """Return how far the mean of each annulus is off a smooth fall with radius; 0 where none is."""
    out = np.zeros(flat.mean.size)
    seen = np.flatnonzero(flat.polar.count.sum(axis=1) >= MIN_PIXELS)
    if seen.size and np.ptp(seen) >= RINGS:
        rings = slice(seen[0], seen[-1] + 1)
        mean = flat.mean[rings]
        lowest, highest = float(mean.min()), float(mean.max())
        if highest > 0.0:
            # A power of the radius is nearer to a cubic in the logarithm; a dark sky is lifted.
            lift = 0.0 if lowest > 0.0 else 1e-3 * highest - 2.0 * lowest
            smooth = np.exp(savgol_filter(np.log(mean + lift), RINGS, 3)) - lift
            out[rings] = mean - smooth
    return out
