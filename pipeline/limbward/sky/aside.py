"""How far the picture of a head that turns about the zenith is turned beside its middle."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

STEEPEST_DEG = 85.0  # nearer to the zenith the picture turns by more than a first order tells


def turned_aside(
    orientation: Orientation, track: SkyTrack, t: Floats, x: Floats, y: Floats
) -> Floats:
    """Return how far pictures are turned at a Sun beside their middle, beside what the zenith does.

    Parameters
    ----------
    orientation : Orientation
        Of the camera at the epoch.
    track : SkyTrack
        With the zenith about which the head turns.
    t : ndarray, shape (N,)
        Seconds from the epoch.
    x, y : ndarray, shape (N,)
        From the middle of the frame to the Sun, pixels.

    Returns
    -------
    ndarray, shape (N,)
        Degrees of position angle.

    Notes
    -----
    A camera on a level head is upright where it points. Verticals come together towards the zenith:
    one that lies the angle s to the left of the middle leans by s times the tangent of the
    altitude. On a tripod the Sun moves a degree in four minutes, and at 45 degrees as much is the
    picture turned.
    """
    zenith = np.radians(track.parallactic_angle(t))
    turns = track.turned(t)
    sky = [orientation.turned(d).to_sky(a, b) for d, a, b in zip(turns, x, y, strict=True)]
    east, north = np.array(sky, float).reshape(-1, 2).T
    left = (east * np.cos(zenith) - north * np.sin(zenith)) / 3600.0
    return np.asarray(left * np.tan(np.radians(np.minimum(track.altitude(t), STEEPEST_DEG))))
