"""Where a frame ends beside or across the Sun's disc: which frames, and a soft end."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.sequences.cut import View
from limbward.sequences.shots import Shots

Pixels = NDArray[np.float32]
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


def faded(picture: Pixels, shots: Shots, i: int, view: View) -> Pixels:
    """Return a Sun-centred cut of frame ``i``, encoded or linear, that ends softly with the frame.

    Parameters
    ----------
    picture : ndarray of float32, shape (3, S, S)
    shots : Shots
    i : int
    view : View
    """
    last = _last(shots)
    if not min(last) > 0:
        return picture
    camera, c = shots.orientation[i], np.arange(view.side) - view.centre
    east, north = view.orientation.to_sky(c[None, :], c[:, None])
    x, y = camera.to_pixels(east, north)
    sun = shots.straight(shots.sun[i])
    x, y = x + sun[0], y + sun[1]
    room = np.minimum(np.minimum(x, last[0] - x), np.minimum(y, last[1] - y))
    part = np.clip(room / (FADE * float(sun[2])), 0.0, 1.0)
    if part.min() >= 1.0:
        return picture
    return picture * (part * part * (3.0 - 2.0 * part)).astype(np.float32)


def _last(shots: Shots) -> tuple[float, float]:
    """Return the last pixel of a frame, x and y: its lens' axis is in the middle; 0 if unknown."""
    return 2.0 * shots.lens.x, 2.0 * shots.lens.y
