"""Which frames of a card are wide, and with which lenses they may have been taken."""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

USUAL_WIDTHS_MM = (36.0, 23.5, 22.3, 17.3, 13.2)  # of sensors, the commonest first
UNKNOWN_FOCALS = np.geomspace(0.25, 2.0, 26)  # of the frame's width, where nothing tells more


def of_one_lens(
    focal_mm: Floats, usable: NDArray[np.bool_]
) -> tuple[NDArray[np.bool_], float | None, list[str]]:
    """Return which frames have the commonest focal length, millimetres, and what is left out."""
    lengths = Counter(np.round(focal_mm[usable & np.isfinite(focal_mm)], 1).tolist())
    if not lengths:
        return usable, None, []
    most, count = lengths.most_common(1)[0]
    if len(lengths) == 1:
        return usable, most, []
    left = int(usable.sum()) - count
    words = f"{left} wide frames of other focal lengths than {most:g} mm are left out."
    return usable & (np.abs(focal_mm - most) < 0.06), most, [words]


def focals(
    focal_mm: float | None, width_px: int, sensor_mm: float | None, pitch_um: Floats
) -> tuple[float, ...]:
    """Return focal lengths to try, pixels.

    Parameters
    ----------
    focal_mm : float or None
    width_px : int
    sensor_mm : float or None
        The sensor's width, if somebody has said it.
    pitch_um : ndarray, shape (N,)
        Of the frames' pixels; NaN where not known.
    """
    if focal_mm is None:
        return tuple((UNKNOWN_FOCALS * width_px).tolist())
    if sensor_mm is not None:
        return (focal_mm * width_px / sensor_mm,)
    if np.isfinite(pitch_um).any():
        return (focal_mm * 1000.0 / float(np.nanmedian(pitch_um)),)
    return tuple(focal_mm * width_px / w for w in USUAL_WIDTHS_MM)


def sensitivity(exposure_s: Floats, iso: Floats, f_number: Floats) -> Floats:
    """Return exposure times sensitivity of frames, those of ISO 100 and f/8 being 1 a second."""
    exposure = np.nan_to_num(exposure_s, nan=1.0)
    iso, stop = np.nan_to_num(iso, nan=100.0), np.nan_to_num(f_number, nan=8.0)
    return np.asarray(np.maximum(exposure, 1e-6) * iso / 100.0 * (8.0 / stop) ** 2)
