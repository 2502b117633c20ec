"""The light around the Moon's limb, by angle: beads and the gaps between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.camera.luminance import Plane
from limbward.geometry.disc import RIM_BINS as BINS
from limbward.geometry.disc import Disc

# A bin is 3 arcsec along the limb, about the blur of air and optics.
LOOKS = 2  # radii a bin
# Lunar radii around the limb as measured; in a frame with beads it is off by up to a few pixels.
INNER, OUTER = 0.96, 1.05
STEP_PX = 0.5
DISC = 0.8  # lunar radii, within which only scattered light is


def rim_light(plane: Plane, moon: Disc, range_adu: float) -> NDArray[np.float32]:
    """Return the brightest that each direction shows at the Moon's limb.

    Parameters
    ----------
    plane : Plane
        The frame's green pixels.
    moon : Disc
        Full raw pixels.
    range_adu : float
        White level above black, ADU.

    Returns
    -------
    ndarray of float32, shape (BINS,)
        Fraction of the range less what is scattered onto the Moon's disc, 1 where clipped. Bin k
        looks from k to k + 1 times 0.2 degrees, counted from the picture's up towards its left,
        as position angles run in a picture that is not mirrored. NaN beyond the picture.

    Notes
    -----
    What bulges through a valley is far narrower than the blur, so the brightest value along a
    radius goes with the light that comes through, and does not depend on where exactly the limb
    was put.
    """
    x, y = ((c - o) / plane.scale for c, o in zip((moon.x, moon.y), plane.origin, strict=True))
    r = moon.radius / plane.scale
    top, left = max(int(y - 1.1 * r), 0), max(int(x - 1.1 * r), 0)
    part = np.s_[top : max(int(y + 1.1 * r) + 2, 0), left : max(int(x + 1.1 * r) + 2, 0)]
    value = np.where(plane.saturated[part], np.float32(range_adu), plane.image[part])
    if min(value.shape) < 3:
        return np.full(BINS, np.nan, np.float32)
    angle = (np.arange(LOOKS * BINS) + 0.5) * (2.0 * np.pi / (LOOKS * BINS))
    radius = np.arange(INNER * r, OUTER * r + STEP_PX, STEP_PX)[:, None]
    at = [y - top - radius * np.cos(angle), x - left - radius * np.sin(angle)]
    ring = ndimage.map_coordinates(value, at, order=1, cval=np.nan, output=np.float32)
    rows, columns = np.indices(value.shape, dtype=np.float32)
    inside = np.hypot(columns - np.float32(x - left), rows - np.float32(y - top)) < DISC * r
    scattered = float(np.median(value[inside])) if inside.any() else 0.0
    brightest = ring.max(axis=0).reshape(BINS, LOOKS).mean(axis=1)
    return np.asarray((brightest - scattered) / range_adu, np.float32)
