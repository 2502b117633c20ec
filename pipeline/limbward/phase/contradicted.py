"""Phases where the clock contradicts what the pictures show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def phase_where_contradicted(
    phase: NDArray[np.object_],
    content: NDArray[np.object_],
    middle_s: Floats,
    totality_s: tuple[float, float] | None,
) -> tuple[NDArray[np.object_], bool]:
    """Return the phases by content where the clock puts most frames of totality outside it.

    Parameters
    ----------
    phase, content : ndarray of str, shape (N,)
        Of one camera's frames, as in `limbward.limb.place.Seen`.
    middle_s : ndarray, shape (N,)
    totality_s : tuple of float or None
        When the photosphere vanishes and returns, by the ephemeris.

    Returns
    -------
    phase : ndarray of str
    contradicted : bool
        Whether clock or site must be wrong.
    """
    dark = (content == "totality") & np.isfinite(middle_s)
    if totality_s is None or not dark.any():
        return phase, False
    outside = dark & ((middle_s < totality_s[0]) | (middle_s > totality_s[1]))
    if 2 * outside.sum() <= dark.sum():
        return phase, False
    unfiltered = np.isin(content, ("totality", "contact"))
    return np.where(unfiltered, content, phase), True
