"""A raw frame as a small picture for a person."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

STRETCH = 12.0  # arcsinh: a twelfth of the brightest is drawn at half


def thumbnail(
    planes: NDArray[np.float32], daylight: NDArray[Any], to_srgb: NDArray[Any], white: float
) -> NDArray[np.uint8]:
    """Return a reduced frame in colours for a screen, stretched; clipped parts are white.

    Parameters
    ----------
    planes : ndarray of float32, shape (3, h, w)
        Above black, NaN where clipped.
    daylight, to_srgb : ndarray, shape (3,) and (3, 3)
        The camera's colours.
    white : float
        Value of a full sample.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
    """
    planes = planes * daylight[:, None, None]
    colours = np.einsum("ij,jhw->hwi", to_srgb, planes)
    known = np.isfinite(colours).all(axis=-1)
    if not known.any():
        return np.full(colours.shape, 255, np.uint8)
    low, high = np.quantile(colours[known], (0.02, 0.998))
    # A frame of noise is drawn dark, not stretched to the full range.
    high = max(high, low + 0.002 * white)
    scaled = np.clip((colours - low) / (high - low), 0.0, 1.0)
    drawn = np.arcsinh(STRETCH * scaled) / np.arcsinh(STRETCH)
    return np.where(known[..., None], np.nan_to_num(drawn) * 255.0, 255.0).astype(np.uint8)
