"""Which frames are of a lens so wide that the Sun in them is a dot, not a disc to measure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FIELD_DEG = 30.0  # of the frame's width: the Sun is a fiftieth of it or less
UNKNOWN_WIDTH_MM = 23.5  # of sensors of which nothing is known; most have half to 1.5 times it
SUN_DEG = 0.267  # radius
# Where the sensor's size is not known, a Sun this large speaks against a wide lens: a bridge
# camera's 40 mm are a telephoto lens on its small sensor.
NARROW_DEG, LEAST_SUNS = 10.0, 3


def wide_frames(
    body: Sequence[tuple[str, str]],
    focal_mm: Floats,
    pitch_um: Floats,
    width_px: Floats,
    sun_radius_px: Floats,
) -> NDArray[np.bool_]:
    """Return which of N frames have a field of 30 degrees or more.

    Parameters
    ----------
    body : sequence of tuple of str
        Camera and serial number.
    focal_mm, pitch_um, width_px : ndarray, shape (N,)
        Of the lens, the pixels and the longer side of the frame; NaN where not known.
    sun_radius_px : ndarray, shape (N,)
        Of the Sun as measured; NaN where it was not.

    Notes
    -----
    The focal length tells, where it is known. Of lenses without contacts the size of the Sun does,
    in frames of one body that do not tell a focal length.
    """
    lens = [(*b, round(f, 1) if f > 0 else 0.0) for b, f in zip(body, focal_mm, strict=True)]
    wide = np.zeros(len(lens), bool)
    for one in set(lens):
        rows = np.array([v == one for v in lens])
        sun = sun_radius_px[rows] / width_px[rows]
        sun = sun[np.isfinite(sun)]
        # The smaller ones: an overexposed Sun is larger than it is.
        by_sun = SUN_DEG / float(np.quantile(sun, 0.25)) if sun.size >= LEAST_SUNS else np.nan
        if one[2] == 0.0:
            wide[rows] = by_sun >= FIELD_DEG
            continue
        across = 0.001 * pitch_um[rows] * width_px[rows]
        known = bool(np.isfinite(across).any())
        across_mm = float(np.nanmedian(across)) if known else UNKNOWN_WIDTH_MM
        field = 2.0 * np.degrees(np.arctan(0.5 * across_mm / one[2]))
        wide[rows] = field >= FIELD_DEG and (known or not by_sun < NARROW_DEG)
    return wide
