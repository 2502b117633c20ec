"""Where Sun and Moon are in a frame of totality, from the Moon's limb and the ephemeris."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.sky.orientation import Orientation

Floats = NDArray[np.float64]

RADIUS_TOLERANCE = 0.02  # a disc this much larger or smaller than the Moon is not the Moon
# A saturated limb is measured some tenths of a pixel too small; on a small disc that is more than
# the fraction above.
RADIUS_TOLERANCE_PX = 4.0


@dataclass(frozen=True)
class SunPlaces:
    """Sun centres of N frames, pixels, NaN where unknown, and the standard errors."""

    x: Floats
    y: Floats
    sigma: Floats


def sun_from_moon(
    moon_x: Floats,
    moon_y: Floats,
    moon_sigma: Floats,
    offset_arcsec: Floats,
    turn_deg: Floats,
    orientation: Orientation,
    *,
    speed_arcsec_s: Floats,
    time_sigma_s: Floats,
    up_sigma_deg: float,
) -> SunPlaces:
    """Return the Sun's centre behind a measured Moon.

    Parameters
    ----------
    moon_x, moon_y, moon_sigma : ndarray, shape (N,)
        Measured Moon, pixels; NaN where not measured.
    offset_arcsec : ndarray, shape (N, 2)
        Moon's offset from the Sun, east and north, at the frame's true time.
    turn_deg : ndarray, shape (N,)
        How far the field has turned since the orientation's instant, degrees of position angle.
    orientation : Orientation
    speed_arcsec_s : ndarray, shape (N,)
        Of the Moon against the Sun.
    time_sigma_s : ndarray, shape (N,)
    up_sigma_deg : float

    Returns
    -------
    SunPlaces

    Notes
    -----
    The Moon crosses the corona at 0.4 to 0.5 arcsec a second, so a stack registered on its limb
    smears the corona by an arcminute over a long totality; the limb tells where the Moon is, the
    ephemeris where the Sun then is.
    """
    dx, dy = np.full_like(moon_x, np.nan), np.full_like(moon_y, np.nan)
    for i, turn in enumerate(turn_deg):
        if np.isfinite(moon_x[i]) and np.isfinite(turn):
            dx[i], dy[i] = orientation.turned(float(turn)).to_pixels(*offset_arcsec[i])
    scale = orientation.pixel_scale_arcsec
    distance = np.hypot(offset_arcsec[:, 0], offset_arcsec[:, 1]) / scale
    sigma = np.sqrt(
        moon_sigma**2
        + (speed_arcsec_s / scale * time_sigma_s) ** 2
        + (distance * np.radians(up_sigma_deg)) ** 2
    )
    return SunPlaces(moon_x - dx, moon_y - dy, sigma)


def is_moon_sized(radius_px: Floats, expected_px: Floats) -> NDArray[np.bool_]:
    """Whether measured discs are as large as the Moon must be.

    Parameters
    ----------
    radius_px, expected_px : ndarray, shape (N,)
        Measured, and from the plate scale and the ephemeris.
    """
    allowed = np.maximum(RADIUS_TOLERANCE * expected_px, RADIUS_TOLERANCE_PX)
    return np.asarray(np.abs(radius_px - expected_px) < allowed)


def off_the_path(time_s: Floats, x: Floats, y: Floats, sigma: Floats) -> NDArray[np.bool_]:
    """Return which frames lie off the path that their neighbours in time agree on.

    Parameters
    ----------
    time_s, x, y, sigma : ndarray, shape (N,)
        Sun centres in pixels against time; NaN places are passed over.

    Returns
    -------
    ndarray of bool, shape (N,)
        True where a single frame stands more than 5 sigma and 1.5 px aside from both neighbours
        while these agree with each other. A mount that jumps moves all later frames: none is
        marked then.
    """
    known = np.flatnonzero(np.isfinite(x + y + time_s))
    order = known[np.argsort(time_s[known], kind="stable")]
    aside = np.zeros(x.size, bool)
    for before, here, after in zip(order[:-2], order[1:-1], order[2:], strict=True):
        span = time_s[after] - time_s[before]
        share = (time_s[here] - time_s[before]) / span if span > 0 else 0.5
        dx = x[here] - (x[before] + share * (x[after] - x[before]))
        dy = y[here] - (y[before] + share * (y[after] - y[before]))
        apart = np.hypot(x[after] - x[before], y[after] - y[before])
        miss = np.hypot(dx, dy)
        limit = max(1.5, 5.0 * float(np.hypot(sigma[here], max(sigma[before], sigma[after]))))
        aside[here] = miss > limit and miss > 3.0 * apart
    return aside
