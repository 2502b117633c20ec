"""Holes in a mask: what is left out, and enclosed by what is not."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage


def without_holes(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return a mask with its holes filled; what is open to the picture's edge stays out.

    Parameters
    ----------
    mask : ndarray of bool, shape (H, W)
    """
    if mask.all():
        return mask
    labels, count = ndimage.label(~mask)
    edges = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    # One pass of a table: scipy's binary_fill_holes spreads step by step, minutes at 24 megapixels.
    filled = np.ones(count + 1, bool)
    filled[edges] = False
    filled[0] = True  # the mask itself
    return np.asarray(filled[labels])
