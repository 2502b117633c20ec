"""Whether a disc found in a frame of totality can be the Moon."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RADIUS_TOLERANCE = 0.02  # a disc this much larger or smaller than the Moon is not the Moon
# A saturated limb is measured some tenths of a pixel too small; on a small disc that is more than
# the fraction above.
RADIUS_TOLERANCE_PX = 4.0


def is_moon_sized(radius_px: Floats, expected_px: Floats) -> NDArray[np.bool_]:
    """Whether measured discs are as large as the Moon must be.

    Parameters
    ----------
    radius_px, expected_px : ndarray, shape (N,)
        Measured, and from the plate scale and the ephemeris.
    """
    allowed = np.maximum(RADIUS_TOLERANCE * expected_px, RADIUS_TOLERANCE_PX)
    return np.asarray(np.abs(radius_px - expected_px) < allowed)
