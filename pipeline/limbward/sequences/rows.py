"""Offsets of a sensor's rows, which show as streaks where a dark part of a frame is lifted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

DARK = 0.02  # of the range: where a row's offset is read, sky or Moon
LEAST = 64  # dark pixels that tell a row's offset
SAMPLES = 512  # pixels of a row and colour that are read
AROUND = 31  # rows of a colour, against whose mean an offset counts
MOST = 0.003  # of the range; more is a picture's own


def row_offsets(level: Pixels, colours: int = 2) -> Floats:
    """Return by how much each row reads more than those around it, from its dark pixels.

    Parameters
    ----------
    level : ndarray of float32, shape (h, w)
        From 0 to 1.
    colours : int
        After how many rows and columns a mosaic repeats; 1 if it is none.

    Returns
    -------
    ndarray, shape (h,)
        0 where too little of a row is dark.

    Notes
    -----
    The median over a row's dark pixels of one colour of what each reads more than those above and
    below it: what is in the picture passes smoothly from row to row.
    """
    out = np.zeros(len(level))
    for first in range(colours):
        rows = level[first::colours]
        found = [_of_colour(rows[:, c::colours]) for c in range(colours)]
        out[first::colours] = np.mean(found, axis=0)
    return out


def _of_colour(plane: Pixels) -> Floats:
    step = max(1, plane.shape[1] // SAMPLES)
    read = plane[:, ::step]
    dark = read < DARK
    told = dark.sum(axis=1) >= LEAST
    off = np.zeros(len(plane))
    if told.sum() < AROUND:
        return off
    above = read - uniform_filter1d(read, AROUND, axis=0, mode="nearest")
    off[told] = np.nanmedian(np.where(dark[told], above[told], np.nan), axis=1)
    return np.where(np.abs(off) < MOST, off, 0.0)
