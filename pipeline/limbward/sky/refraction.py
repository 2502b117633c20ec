"""Differential refraction: how the air moves and squeezes what is seen near the Sun."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from limbward.sky.ephemeris import SkyView

Floats = NDArray[np.float64]


def refraction_arcsec(
    altitude: ArrayLike, pressure_hpa: float = 1010.0, temperature_c: float = 10.0
) -> Floats:
    """Return the refraction at a true (unrefracted) altitude, arcsec.

    Parameters
    ----------
    altitude : array_like
        Degrees; below -1 the value at -1 is used.
    pressure_hpa, temperature_c : float
        Of the air at the site. A pressure of 0 switches refraction off.

    References
    ----------
    T. Saemundsson, Sky and Telescope 72 (1986) 70, scaled by pressure and temperature as in
    J. Meeus, *Astronomical Algorithms* (1998), chapter 16.
    """
    h = np.maximum(np.asarray(altitude, float), -1.0)
    air = pressure_hpa / 1010.0 * 283.0 / (273.0 + temperature_c)
    return 60.0 * 1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11))) * air


def refraction_matrix(
    sky: SkyView, pressure_hpa: float = 1010.0, temperature_c: float = 10.0
) -> Floats:
    """Return what refraction does to small offsets from the Sun's centre.

    Parameters
    ----------
    sky : SkyView
        N instants.
    pressure_hpa, temperature_c : float
        Of the air at the site. A pressure of 0 gives the identity.

    Returns
    -------
    ndarray, shape (N, 2, 2)
        Multiplies a column (east, north). Offsets shrink along the vertical by the gradient of
        refraction (1.7e-3 at 24 degrees of altitude, that is 1.6 arcsec on the solar radius) and
        along the horizontal by refraction over the tangent of the zenith distance (3e-4).
    """
    h = sky.sun_altitude
    step = 0.05  # degrees; the gradient is smooth on the scale of the solar disc
    above = refraction_arcsec(h + step, pressure_hpa, temperature_c)
    below = refraction_arcsec(h - step, pressure_hpa, temperature_c)
    vertical = 1.0 + (above - below) / (2.0 * step * 3600.0)
    lifted = np.radians(refraction_arcsec(h, pressure_hpa, temperature_c) / 3600.0)
    level = np.cos(np.radians(h) + lifted) / np.cos(np.radians(h))
    q = np.radians(sky.parallactic_angle)
    up = np.stack([np.sin(q), np.cos(q)], axis=-1)
    side = np.stack([np.cos(q), -np.sin(q)], axis=-1)
    return (
        vertical[:, None, None] * up[:, :, None] * up[:, None, :]
        + level[:, None, None] * side[:, :, None] * side[:, None, :]
    )


def apparent_moon_offset(
    sky: SkyView, pressure_hpa: float = 1010.0, temperature_c: float = 10.0
) -> Floats:
    """Return the Moon's refracted offset from the Sun's centre, shape (N, 2): east, north, arcsec.

    Parameters
    ----------
    sky : SkyView
    pressure_hpa, temperature_c : float
        As for `refraction_matrix`.
    """
    matrix = refraction_matrix(sky, pressure_hpa, temperature_c)
    offset = np.stack([sky.moon_east_arcsec, sky.moon_north_arcsec], axis=-1)
    return np.einsum("nij,nj->ni", matrix, offset)
