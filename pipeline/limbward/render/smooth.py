"""Smoothing where the noise asks for it, and filling of gaps for the eye."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter

Pixels = NDArray[np.float32]

BLURS_PX = (1.0, 2.0, 4.0, 8.0, 16.0)
CORRELATION_PX = 0.8  # the noise of the merge is itself as if blurred by this


def fill_nearest(image: Pixels) -> Pixels:
    """Return the picture with its missing pixels taken from the nearest known ones, per plane.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
    """
    missing = ~np.isfinite(image)
    if not missing.any() or missing.all():
        return image
    rows, columns = np.nonzero(missing)
    # Only what lies around the gaps is searched: the transform holds two indices a pixel.
    top, left = max(rows.min() - 2, 0), max(columns.min() - 2, 0)
    box = image[top : rows.max() + 3, left : columns.max() + 3]
    gap = ~np.isfinite(box)
    nearest = distance_transform_edt(gap, return_distances=False, return_indices=True)
    out = image.copy()
    out[top : rows.max() + 3, left : columns.max() + 3] = box[nearest[0], nearest[1]]
    return out


def smooth_to_noise(image: Pixels, noise: Pixels, target: float) -> Pixels:
    """Return a picture blurred just so much that its noise falls to a target.

    Parameters
    ----------
    image, noise : ndarray of float32, shape (H, W)
        Without gaps; the noise is one standard deviation.
    target : float
        Noise that may stay.

    Returns
    -------
    ndarray of float32, shape (H, W)
        Each pixel lies between two of a series of Gaussian blurs, the widest 16 pixels.

    Notes
    -----
    White noise blurred by a Gaussian of width s falls by ``1 / (2 sqrt(pi) s)``.
    """
    falls = [1.0] + [
        min(1.0, 1.0 / (2.0 * np.sqrt(np.pi) * np.hypot(s, CORRELATION_PX)) * 2.0) for s in BLURS_PX
    ]
    wanted = np.log(np.clip(target / np.maximum(noise, 1e-12), min(falls), 1.0))
    out = image.copy()
    for k, s in enumerate(BLURS_PX):
        high, low = np.log(falls[k]), np.log(falls[k + 1])
        part = np.clip((high - wanted) / (high - low), 0.0, 1.0).astype(np.float32)
        if not (part > 0.0).any():
            break
        blurred = gaussian_filter(image, s, mode="nearest", truncate=3.0)
        out += part * (blurred - out)
    return out
