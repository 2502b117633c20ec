"""The camera's colours in the header of a picture: one writer and one reader."""

from __future__ import annotations

import numpy as np
from astropy.io.fits import Header
from numpy.typing import ArrayLike, NDArray

Pixels = NDArray[np.float32]


def write_colours(header: Header, daylight: ArrayLike, to_srgb: ArrayLike) -> None:
    """Write daylight multipliers (3,) and the matrix (3, 3) to linear sRGB into a header."""
    white, matrix = np.asarray(daylight), np.asarray(to_srgb)
    for c in range(3):
        header[f"DAYWB{c + 1}"] = (float(white[c]), "daylight white balance")
    for i in range(3):
        for j in range(3):
            header[f"SRGB{i + 1}_{j + 1}"] = float(matrix[i, j])


def has_colours(header: Header) -> bool:
    """Return whether a header tells the camera's colours."""
    return "SRGB1_1" in header and "DAYWB1" in header


def read_colours(header: Header) -> tuple[Pixels, Pixels]:
    """Return the camera's daylight multipliers (3,) and its matrix (3, 3) to linear sRGB."""
    daylight = np.array([header[f"DAYWB{c}"] for c in (1, 2, 3)], np.float32)
    matrix = [[header[f"SRGB{i}_{j}"] for j in (1, 2, 3)] for i in (1, 2, 3)]
    return daylight, np.array(matrix, np.float32)
