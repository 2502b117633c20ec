"""Colour filter mosaics: where each colour lies, and the colours between."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import correlate1d

from limbward.camera.frame import GREEN

Pixels = NDArray[np.float32]


def laid_out(tile: NDArray[np.generic], y0: int, x0: int, shape: tuple[int, ...]) -> Pixels:
    """Return a repeating pattern over a part of a frame that begins at row y0 and column x0.

    Parameters
    ----------
    tile : ndarray, shape (h, w)
        Colours or black levels, from the frame's first pixel on.
    y0, x0 : int
    shape : tuple of int
        Of the part.
    """
    rows = (y0 + np.arange(shape[0])) % tile.shape[0]
    columns = (x0 + np.arange(shape[1])) % tile.shape[1]
    return np.asarray(tile[np.ix_(rows, columns)], np.float32)


def interpolated(level: Pixels, pattern: Pixels, reach: int) -> Pixels:
    """Return a mosaic's three colours by weighted means of the nearest pixels of each.

    Parameters
    ----------
    level : ndarray of float32, shape (H, W)
    pattern : ndarray, shape (H, W)
        The colour of each pixel, 0 to 2; from `laid_out`.
    reach : int
        Pixels on either side: 1 for a pattern of 2 x 2, 2 for wider ones.

    Returns
    -------
    ndarray of float32, shape (3, H, W)

    For a 2 x 2 mosaic these are the bilinear values, whose errors have no direction: a limb is
    not moved by them.
    """
    taper = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1.0)

    def gathered(plane: Pixels) -> Pixels:
        return correlate1d(correlate1d(plane, taper, 0, mode="constant"), taper, 1, mode="constant")

    out = np.empty((3, *level.shape), np.float32)
    for colour in range(3):
        mine = (pattern == colour).astype(np.float32)
        out[colour] = gathered(level * mine) / np.maximum(gathered(mine), 1e-6)
        if colour != GREEN or reach == 1:
            # Where the colour was measured, its own value.
            np.copyto(out[colour], level, where=mine > 0)
    return out
