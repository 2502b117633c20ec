"""Where the numbers of a sensor end, if that is below the white level that its files declare."""

from __future__ import annotations

import numpy as np

from limbward.camera.calibration import colour_planes
from limbward.camera.frame import RawFrame
from limbward.camera.luminance import SATURATED, reaches

PILE_WIDTH = 0.005  # of the range: numbers at the end of the scale lie within that
PILE_PART = 1e-4  # of the pixels of a plane, which must be there
PILE_TIMES = 4.0  # as many as in the same width below
ENDED = 0.992  # of the number at which they pile up
LEAST_END = 0.3  # of the range, below which no camera's numbers end
SAMPLED = 1e6  # pixels of a plane that are looked at: 100 of them are the least pile


def clip_level(frame: RawFrame, wanted: float = 0.99) -> float | None:
    """Return the number at which a frame's pixels end, ADU, None if it shows none below white.

    Many cameras end below the white level that they declare. There the pixels pile up: four times
    as many lie in the last half per cent of the range as in that below. The least of the mosaic's
    places counts.

    Parameters
    ----------
    frame : RawFrame
    wanted : float
        Fraction of the declared range from which it is the declared one.
    """
    black = float(np.max(frame.black))
    span = frame.white - black
    ends = []
    for plane in colour_planes(frame.data, frame.pattern):
        step = max(1, int(np.sqrt(plane.size / SAMPLED)))
        values = plane[::step, ::step]
        values = values[np.isfinite(values)] if plane.dtype.kind == "f" else values.ravel()
        if values.size == 0:
            continue
        bright = values[reaches(values, black + LEAST_END * span)]
        # A hot pixel or a cosmic ray may lie above the pile: the end is where the pile is.
        above = int(0.5 * PILE_PART * values.size)
        if bright.size <= above:
            continue
        end = float(np.partition(bright, bright.size - 1 - above)[bright.size - 1 - above])
        width = PILE_WIDTH * span
        top = np.count_nonzero(values >= end - width)
        below = np.count_nonzero((values >= end - 2.0 * width) & (values < end - width))
        enough = max(PILE_PART * values.size, 30.0)
        if top >= enough and top >= PILE_TIMES * below:
            ends.append(end)
    if not ends or min(ends) >= black + wanted * span:
        return None
    return min(ends)


def saturated_from(frame: RawFrame) -> float:
    """Return the number from which on a frame's pixels count as saturated, ADU, black included."""
    end = clip_level(frame, SATURATED)
    # Just below the pile of clipped numbers, so that their noise is clipped as well.
    return SATURATED * frame.white if end is None else ENDED * end
