"""From the sky to the sensor: plate scale, rotation, mirroring and differential refraction."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:  # loading the ephemeris takes a tenth of a second, which a preview has not
    from limbward.sky.ephemeris import SkyView

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Orientation:
    """How a camera maps offsets on the sky to offsets in pixels.

    Attributes
    ----------
    pixel_scale_arcsec : float
        Arcsec a pixel.
    up_position_angle : float
        Position angle of the image's upward direction (-y), degrees from north through east.
    mirrored : bool
        True if the image is a mirror image of the sky, as behind a star diagonal.
    """

    pixel_scale_arcsec: float
    up_position_angle: float
    mirrored: bool = False

    def to_pixels(self, east: ArrayLike, north: ArrayLike) -> tuple[Floats, Floats]:
        """Return (dx, dy) in pixels, x right and y down, for offsets in arcsec."""
        u = np.radians(self.up_position_angle)
        e, n = np.asarray(east, float), np.asarray(north, float)
        left = e * np.cos(u) - n * np.sin(u)
        up = e * np.sin(u) + n * np.cos(u)
        side = 1.0 if self.mirrored else -1.0
        return side * left / self.pixel_scale_arcsec, -up / self.pixel_scale_arcsec

    def to_sky(self, dx: ArrayLike, dy: ArrayLike) -> tuple[Floats, Floats]:
        """Return (east, north) in arcsec for offsets in pixels; the inverse of `to_pixels`."""
        u = np.radians(self.up_position_angle)
        side = 1.0 if self.mirrored else -1.0
        left = side * np.asarray(dx, float) * self.pixel_scale_arcsec
        up = -np.asarray(dy, float) * self.pixel_scale_arcsec
        return left * np.cos(u) + up * np.sin(u), -left * np.sin(u) + up * np.cos(u)

    def turned(self, degrees: float) -> Orientation:
        """Return the orientation after the field has turned, degrees of position angle."""
        return replace(self, up_position_angle=self.up_position_angle + degrees)

    def in_pixels(self, matrix: Floats) -> Floats:
        """Return a matrix for offsets (east, north), shape (2, 2), as one for offsets (x, y)."""
        columns = np.stack(self.to_pixels(np.array([1.0, 0.0]), np.array([0.0, 1.0])))
        return np.asarray(columns @ matrix @ np.linalg.inv(columns))


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
