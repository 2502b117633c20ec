"""A filtered picture as an image: grey at the mean, black and white at some deviations."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]


def structure_picture(
    structure: Pixels, visible: NDArray[np.bool_], percentile: float = 0.3
) -> Pixels:
    """Return a filtered picture as encoded sRGB.

    Parameters
    ----------
    structure : ndarray of float32, shape (C, H, W)
        One plane is shown grey, three in colours.
    visible : ndarray of bool, shape (H, W)
        What is False (the Moon) is black, as is what is missing.
    percentile : float
        Of the visible pixels that may be black, and that may be white.

    Returns
    -------
    ndarray of float32, shape (H, W, 3)
        From 0 to 1.
    """
    out = np.zeros((*visible.shape, 3), np.float32)
    known = visible & np.isfinite(structure).all(axis=0)
    if not known.any():
        return out
    low, high = np.percentile(structure[:, known], [percentile, 100.0 - percentile])
    span = max(float(high - low), 1e-12)
    for c in range(3):
        plane = structure[min(c, structure.shape[0] - 1)]
        out[..., c] = np.where(known, np.clip((plane - low) / span, 0.0, 1.0), 0.0)
    return out
