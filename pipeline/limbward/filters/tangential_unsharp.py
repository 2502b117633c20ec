"""Unsharp masking in angle: what differs from the same picture blurred about the Sun is lifted.

    out = I + amount (I - B * I),

but where that would take away more than half of the light; x times the light then leaves 1 / (4 x)
of it, so that no dark lane gets black. B is a Gaussian in position angle at a constant distance
from the Sun, which a rotational blur is (and 1.5 pixels along the radius). The radial fall stays,
so the result is a linear picture again, in the units and the colours of the input; another filter
(``nrgf``) can follow. The blur is computed on the picture normalised by annuli, where it is the
same thing (mean and deviation are constant along a circle), and leaves missing pixels and the Moon
out.

At small and at large radius: the mask is ``angle_deg`` wide at every height, so it is finer in
pixels close to the limb; noise is lifted ``1 + amount`` times everywhere.

References
----------
The photographic process, which a blur about the Sun turns into this one: D. F. Malin,
*Unsharp masking*, AAS Photo-Bulletin 16 (1977) 10.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from limbward.filters.annulus import spread_out
from limbward.filters.flattened import ColourParams, flattened, planes_of, smoothed
from limbward.filters.polar import blur_cells
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]

NORMALISES = False
RINGS = 1.5  # blur along the radius: a single ring's pixels lie unevenly in angle


class Params(ColourParams):
    """Parameters of the filter."""

    angle_deg: float = Field(
        default=3.0, gt=0, le=90, description="Width of the blur, standard deviation, degrees."
    )
    amount: float = Field(
        default=2.0,
        gt=0,
        le=50,
        description="Factor on the difference from the blur that is added.",
    )


def factor_of(x: Pixels) -> Pixels:
    """Return ``1 + x`` down to 1/2, below it what is left by a smooth curve that never is 0.

    A dark lane between two rays would be blacker than the sky otherwise, a thread from the limb.
    """
    return np.asarray(np.where(x < -0.5, 0.25 / np.maximum(-x, 0.5), 1.0 + x), np.float32)


def _added_to(plane: Pixels, added: Pixels) -> Pixels:
    """Return a plane with what is added, by `factor_of` where it has light."""
    safe = np.where(plane > 0.0, plane, np.float32(1.0))
    lit = plane * factor_of(np.asarray(added / safe, np.float32))
    return np.asarray(np.where(plane > 0.0, lit, plane + added), np.float32)


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the sharpened picture.

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
        In the units of the picture. If luminance is filtered, every colour is multiplied by the
        same factor.
    """
    flats = flattened(image, geometry, params)
    planes = planes_of(image, params.channels)
    out = np.empty(image.shape, np.float32)
    for c, rough in enumerate(flats):
        flat = smoothed(rough)
        polar = flat.polar
        low = polar.spread(blur_cells(polar.first, polar.count, params.angle_deg, RINGS))
        added = flat.z - low
        added *= spread_out(flat.deviation, flat.z.shape, geometry, flat.width_px)
        added *= params.amount
        if len(flats) == len(image):
            out[c] = _added_to(image[c], added)
            continue
        safe = np.where(planes[c] != 0.0, planes[c], np.float32(np.inf))
        added /= safe
        np.multiply(image, factor_of(added), out=out)
    return out
