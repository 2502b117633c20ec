"""Where a frame ends beside or across the Sun's disc: which frames, and a soft end."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from limbward.sequences.cut import View
from limbward.sequences.shots import Shots

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FADE = 0.08  # solar radii over which a picture fades towards the frame's edge


def cut_off(shots: Shots) -> Mask:
    """Return in which frames the frame's edge cuts the Sun's disc; none where sizes are unknown."""
    x, y, radius = shots.sun.T
    last_x, last_y = _last(shots)
    if not (last_x > 0 and last_y > 0):
        return np.zeros(len(shots), bool)
    room = np.min([x, y, last_x - x, last_y - y], axis=0) + 0.5
    return np.asarray(room < radius)


def rather_whole(shots: Shots, count: int) -> NDArray[np.int64]:
    """Return the frames without those that are cut and have a whole one near.

    Parameters
    ----------
    shots : Shots
    count : int
        Frames that are wanted of them; near is half of their usual distance in time.
    """
    cut = cut_off(shots)
    whole = np.flatnonzero(~cut)
    if not cut.any() or not whole.size:
        return np.arange(len(shots))
    near = 0.5 * float(np.ptp(shots.middle_s)) / max(count - 1, 1)
    away = np.abs(shots.middle_s[:, None] - shots.middle_s[whole]).min(axis=1)
    return np.flatnonzero(~cut | (away > near))


def fading(shots: Shots, i: int, view: View) -> Callable[[slice], Pixels] | None:
    """Return how a Sun-centred cut of frame ``i`` ends softly with the frame.

    Returns
    -------
    callable or None
        Of some rows, what their pixels are to be multiplied by, shape (n, S); None where all of
        the cut is well inside the frame.
    """
    last = _last(shots)
    if not min(last) > 0:
        return None
    camera, c = shots.orientation[i], np.asarray(np.arange(view.side) - view.centre, np.float64)
    sun = shots.straight(shots.sun[i])

    def room(across: Floats, down: Floats) -> Floats:
        """Return how far inside the frame places of the cut lie, parts of the fade."""
        x, y = camera.to_pixels(*view.orientation.to_sky(across[None, :], down[:, None]))
        x, y = x + sun[0], y + sun[1]
        least = np.minimum(np.minimum(x, last[0] - x), np.minimum(y, last[1] - y))
        return np.asarray(least / (FADE * float(sun[2])))

    def left(rows: slice) -> Pixels:
        part = np.clip(room(c, c[rows]), 0.0, 1.0)
        return (part * part * (3.0 - 2.0 * part)).astype(np.float32)

    # Lines bound the frame, so that no place of a cut is nearer to one than its corners.
    return None if room(c[[0, -1]], c[[0, -1]]).min() >= 1.0 else left


def _last(shots: Shots) -> tuple[float, float]:
    """Return the last pixel of a frame, x and y: its lens' axis is in the middle; 0 if unknown."""
    return 2.0 * shots.lens.x, 2.0 * shots.lens.y
