"""What one body gave to a merge of several, in numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Instrument:
    """A body and what it gave, with the numbers of `limbward.radiance.join.part.Tie`.

    ``width`` and ``height`` are pixels of its frames, ``blur_px`` what it is blurred more than the
    finest body, pixels of that one, ``share`` and ``covered`` by rings: its part of the light, and
    the part of the ring that it has seen.
    """

    camera: str
    serial: str
    frames: int
    exposure_s: float
    pixel_scale_arcsec: float
    up_position_angle: float
    mirrored: bool
    width: int
    height: int
    gain: Floats
    gain_sigma: Floats
    offset: Floats
    shift_px: Floats
    scale_correction: float
    turn_deg: float
    radial: float
    radial_sigma: float
    blur_px: float
    mismatch: float
    share: Floats
    covered: Floats
