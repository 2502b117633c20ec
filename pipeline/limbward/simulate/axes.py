"""Mounts whose axes stand wrong: where the Sun drifts to on the sensor, and how the field turns.

Directions are unit vectors in horizon axes (east, north, up).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.angle import half_turn
from limbward.sky.ephemeris import ARCSEC, SkyView

Floats = NDArray[np.float64]

TURN_DEG_PER_HOUR = 15.0  # of a mount that follows the Sun


def _direction(azimuth_deg: Floats, altitude_deg: Floats) -> Floats:
    a, h = np.radians(azimuth_deg), np.radians(altitude_deg)
    return np.stack([np.cos(h) * np.sin(a), np.cos(h) * np.cos(a), np.sin(h)], axis=-1)


def _level_axes(sky: SkyView) -> tuple[Floats, Floats, Floats]:
    """Return the Sun, and the directions to the right of it and above it, shape (N, 3)."""
    sun = _direction(sky.sun_azimuth, sky.sun_altitude)
    right = _direction(sky.sun_azimuth + 90.0, np.zeros_like(sky.sun_altitude))
    return sun, right, np.cross(right, sun)


def celestial_axes(sky: SkyView) -> tuple[Floats, Floats, Floats]:
    """Return the Sun, and celestial east and north at the Sun, shape (N, 3) each."""
    sun, right, high = _level_axes(sky)
    # The zenith stands at the parallactic angle from north through east, which is to the left.
    q = np.radians(sky.parallactic_angle)[:, None]
    return sun, np.sin(q) * high - np.cos(q) * right, np.cos(q) * high + np.sin(q) * right


def _turned(vector: Floats, axis: Floats, angle: Floats) -> Floats:
    """Turn one vector about an axis by N angles, radians, right-handed (Rodrigues' formula)."""
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    along = axis * (axis @ vector)
    return np.asarray(along + c * (vector - along) + s * np.cross(axis, vector))


def _offset(sun: Floats, aim: Floats, east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """Return the Sun from where the camera points, arcsec east and north."""
    along = np.sum(sun * aim, axis=-1)
    away = sun / along[:, None] - aim
    return np.sum(away * east, axis=-1) * ARCSEC, np.sum(away * north, axis=-1) * ARCSEC


def polar_error(
    error_arcmin: tuple[float, float], from_greatest_s: Floats, greatest: SkyView
) -> tuple[Floats, Floats, Floats]:
    """Return what an equatorial mount does whose polar axis misses the pole.

    Parameters
    ----------
    error_arcmin : tuple of float
        How much too high the axis' northern end is, and how far east of the pole.
    from_greatest_s : ndarray, shape (N,)
    greatest : SkyView
        One instant, at which the camera points at the Sun.

    Returns
    -------
    east_arcsec, north_arcsec : ndarray, shape (N,)
        The Sun from where the camera points.
    turned_deg : ndarray, shape (N,)
        By how much the position angle of the camera's up has grown.
    """
    sun, _, north = (v[0] for v in celestial_axes(greatest))
    dec = np.radians(greatest.sun_dec[0])
    pole = np.sin(dec) * sun + np.cos(dec) * north
    zenith = np.array([0.0, 0.0, 1.0])
    raised = zenith - pole * pole[2]
    raised /= np.linalg.norm(raised)
    high, east = np.radians(np.array(error_arcmin) / 60.0)
    axis = pole + high * raised + east * np.cross(pole, raised)
    axis /= np.linalg.norm(axis)
    # The sky turns left-handed about the north pole.
    angle = -np.radians(TURN_DEG_PER_HOUR) * from_greatest_s / 3600.0
    seen, upright = _turned(sun, pole, angle), _turned(north, pole, angle)
    aim, up = _turned(sun, axis, angle), _turned(north, axis, angle)
    eastward = np.cross(upright, seen)
    along = np.sum(up * eastward, axis=-1), np.sum(up * upright, axis=-1)
    return *_offset(seen, aim, eastward, upright), np.degrees(np.arctan2(*along))


def level_error(
    lean_deg: tuple[float, float], sky: SkyView, greatest: SkyView
) -> tuple[Floats, Floats, Floats]:
    """Return what an alt-azimuth head does whose vertical axis leans.

    It was set on the Sun at greatest eclipse and turns by what the Sun's azimuth and altitude
    change from then on, as if it stood level.

    Parameters
    ----------
    lean_deg : tuple of float
        How far the axis leans towards the Sun and to the right of it, at greatest eclipse.
    sky : SkyView
        N instants.
    greatest : SkyView
        One instant.

    Returns
    -------
    east_arcsec, north_arcsec, turned_deg : ndarray, shape (N,)
        As for `polar_error`; the turn is that beyond a level head's.
    """
    sun0, right0, _ = (v[0] for v in _level_axes(greatest))
    forward = np.array([sun0[0], sun0[1], 0.0]) / np.hypot(sun0[0], sun0[1])
    lean = np.tan(np.radians(lean_deg))
    axis = np.array([0.0, 0.0, 1.0]) + lean[0] * forward + lean[1] * right0
    axis /= np.linalg.norm(axis)
    # The head's own axes: what was forward and right before it leaned.
    ahead = forward - axis * (axis @ forward)
    ahead /= np.linalg.norm(ahead)
    side = np.cross(ahead, axis)
    own = np.array([side, ahead, axis])
    first = own @ sun0
    azimuth = np.degrees(np.arctan2(first[0], first[1])) + sky.sun_azimuth
    altitude = np.degrees(np.arcsin(first[2])) + sky.sun_altitude
    azimuth = azimuth - greatest.sun_azimuth[0]
    altitude = altitude - greatest.sun_altitude[0]
    aim = _direction(azimuth, altitude) @ own

    def beyond(view: SkyView, towards: Floats) -> Floats:
        """Return the position angle of the head's up less that of the zenith, degrees."""
        _, right, high = _level_axes(view)
        up = axis - towards * (towards @ axis)[:, None]
        left = -np.sum(up * right, axis=-1)
        return np.degrees(np.arctan2(left, np.sum(up * high, axis=-1)))

    sun, east, north = celestial_axes(sky)
    turned = beyond(sky, aim) - beyond(greatest, sun0[None])
    return *_offset(sun, aim, east, north), half_turn(turned)
