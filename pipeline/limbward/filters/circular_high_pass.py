"""The adaptive circular high-pass: a kernel bent along the circle, normalised by its own contrast.

With z the picture normalised by annuli, and K a Gaussian of a fixed angle along the circle and a
fixed distance along the radius, z - K * z is what is finer than the kernel. It is divided by its
own deviation under a kernel ``adapt`` times as large, which adapts the contrast to the place:

    d = z - K * z,     out = d / sqrt(K' * d^2 + floor^2).

The kernel follows the circle: along it, it is ``arc_deg`` at every height, so that a radial
streamer is treated alike from its foot to its end. All averages leave missing pixels and the
Moon out.

At small and at large radius: the kernel's length in pixels grows with the distance. Close to the
limb it is shorter than ``radial_px`` if ``arc_deg`` is small, and loops are then smoothed more
along the radius than along the limb. Far out, where noise is all there is, it is brought to the
same contrast as structure; use ``multiscale`` there.

References
----------
M. Druckmüller, V. Rušin, M. Minarovjech, *A new numerical method of total solar eclipse photography
processing*, Contributions of the Astronomical Observatory Skalnaté Pleso 36 (2006) 131. The
kernels here are Gaussians in polar coordinates; the paper's are tabulated on the pixels' grid.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from limbward.filters.flattened import ColourParams, Flat, by_plane, smoothed
from limbward.filters.polar import blur_cells, unwrap
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]

NORMALISES = True


class Params(ColourParams):
    """Parameters of the filter."""

    arc_deg: float = Field(
        default=4.0,
        gt=0,
        le=90,
        description="Width of the kernel along the circle, standard deviation, degrees.",
    )
    radial_px: float = Field(
        default=4.0, ge=0, le=200, description="Width of the kernel along the radius, pixels."
    )
    adapt: float = Field(
        default=3.0, ge=1, le=10, description="How many times wider the kernel for the contrast is."
    )
    floor: float = Field(
        default=0.1,
        gt=0,
        le=10,
        description="Contrast, in deviations of the annulus, below which structure is amplified "
        "less.",
    )


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the high-passed picture.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
        NaN where there is no value.
    sigma : ndarray or None
        Not used.
    geometry : Geometry
    params : Params

    Returns
    -------
    ndarray of float32, shape (C, H, W)
        About 0, with a deviation of about 1.
    """

    def work(flat: Flat) -> Pixels:
        flat = smoothed(flat)
        polar = flat.polar
        rings = params.radial_px / flat.width_px
        low = blur_cells(polar.first, polar.count, params.arc_deg, rings)
        out = flat.z - polar.spread(low)
        fine = unwrap(out, geometry, len(polar.count), flat.width_px)
        power = blur_cells(
            fine.second, fine.count, params.arc_deg * params.adapt, rings * params.adapt
        )
        out /= polar.spread(np.sqrt(np.maximum(power, 0.0) + params.floor**2))
        return out

    return by_plane(image, geometry, params, work)
