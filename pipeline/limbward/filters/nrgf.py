"""The normalizing-radial-graded filter: each annulus gets the mean 0 and the deviation 1.

The paper's defining equation is ``I'(r, phi) = (I(r, phi) - <I>(r)) / sigma(r)``, with mean and
standard deviation over the position angle at the distance r from the Sun's centre.

At small and at large radius: contrast is the same at all heights by construction, so the noise,
which is a larger part of the deviation the farther out, takes over there. Where an annulus is not
seen whole, in the corners and beside the Moon, see the parameter ``coverage``.

References
----------
H. Morgan, S. R. Habbal, R. Woo, *The depiction of coronal structure in white-light images*,
Solar Physics 236 (2006) 263.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.filters.flattened import RingParams, by_plane
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]

NORMALISES = True


class Params(RingParams):
    """Parameters of the filter."""


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
    return by_plane(image, geometry, params, lambda flat: flat.z)
