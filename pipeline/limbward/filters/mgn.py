"""Multiscale Gaussian normalisation: each scale is brought to the same local contrast.

With k_w a Gaussian of width w pixels, for each width

    sigma_w = sqrt((B - B * k_w)^2 * k_w)
    C_w = (B - B * k_w) / sigma_w
    C'_w = arctan(k C_w)
    C'_g = ((B - a0) / (a1 - a0))^(1 / gamma)
    I = h C'_g + (1 - h) / n * sum over w of g_w C'_w

which are the equations of the paper's section on the method, with its k = 0.7, h = 0.7,
gamma = 3.2, w = 1.25, 2.5, 5, 10, 20, 40 pixels and g_w = 1. The convolutions leave missing pixels
and the Moon out.

At small and at large radius: the kernels know nothing of the Sun. Close to the limb the fall of the
corona over a wide kernel is itself contrast, and far out the finest kernels show noise at the
contrast of structure; leave out 1.25 and 2.5 pixels there.

References
----------
H. Morgan, M. Druckmüller, *Multi-scale Gaussian normalization for solar image processing*,
Solar Physics 289 (2014) 2945.
"""

from __future__ import annotations

from typing import Annotated

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from limbward.filters.flattened import ColourParams, in_colours, planes_of
from limbward.geometry.disc import Geometry
from limbward.picture.blur import Blur

Pixels = NDArray[np.float32]

NORMALISES = True
EVEN = 1e-6  # contrast below which float32 holds nothing but rounding


class Params(ColourParams):
    """Parameters of the filter."""

    widths_px: list[Annotated[float, Field(gt=0.3, le=500)]] = Field(
        default=[1.25, 2.5, 5.0, 10.0, 20.0, 40.0],
        min_length=1,
        max_length=12,
        description="Standard deviations of the Gaussians, pixels.",
    )
    k: float = Field(default=0.7, gt=0, le=10, description="Steepness of the arctangent.")
    h: float = Field(default=0.7, ge=0, le=1, description="Weight of the global component.")
    gamma: float = Field(default=3.2, gt=0, le=20, description="Exponent of the global component.")
    weights: list[float] | None = Field(
        default=None, description="Weights of the widths; null gives each the weight 1."
    )


def normalise(plane: Pixels, visible: NDArray[np.bool_], params: Params) -> Pixels:
    """Return I of one plane (H, W)."""
    known = np.isfinite(plane) & visible
    if not known.any():
        return np.full(plane.shape, np.nan, np.float32)
    low, high = float(plane[known].min()), float(plane[known].max())
    weight = known.astype(np.float32)
    # About the middle, so that an even picture is exactly 0 and has no contrast of rounding.
    middle = np.float32(np.median(plane[known][::97]))
    level = plane - middle
    out = np.zeros(plane.shape, np.float32)
    weights = params.weights or [1.0] * len(params.widths_px)
    factor = (1.0 - params.h) / len(params.widths_px)
    for width, g in zip(params.widths_px, weights, strict=True):
        blur = Blur(weight, width)
        mean = blur(level)
        fine = level - mean
        spread = blur(fine, square=True)
        np.sqrt(np.maximum(spread, 0.0, out=spread), out=spread)
        # An even place has no contrast: 0 / 0 is 0 there.
        mean += middle
        np.maximum(spread, np.maximum(np.abs(mean, out=mean) * EVEN, 1e-30), out=spread)
        fine /= spread
        fine *= params.k
        np.arctan(fine, out=fine)
        fine *= factor * g
        out += fine
    if params.h > 0.0:
        tone = np.clip((plane - low) / max(high - low, 1e-30), 0.0, 1.0)
        np.power(tone, 1.0 / params.gamma, out=tone)
        tone *= params.h
        out += tone
    return out


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the normalised picture.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
        NaN where there is no value.
    sigma : ndarray or None
        Not used.
    geometry : Geometry
        For the Moon's disc, which does not count.
    params : Params

    Returns
    -------
    ndarray of float32, shape (C, H, W)
    """
    visible = geometry.visible(*image.shape[1:])
    planes = planes_of(image, params.channels)
    return in_colours([normalise(plane, visible, params) for plane in planes], image)
