"""Which way the Moon is turned, seen from a place: libration and the position angle of its axis.

References
----------
The Moon's Euler angles are those of DE421 (W. M. Folkner, J. G. Williams and D. H. Boggs, JPL
IPN Progress Report 42-178, 2009), 1900 to 2050, from NAIF's kernel moon_pa_de421_1900-2050.bpc.
They turn to the principal axes; the maps are in the mean-Earth, polar-axis frame, 67.92, 78.56 and
0.30 arcsec from it (NAIF's moon_080317.tf).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from astropy.time import Time
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.sky.earth import earth_state, observer_earth_fixed
from limbward.sky.ephemeris import ARCSEC, LIGHT_KM_S, Site, geocentric, topocentric

Floats = NDArray[np.float64]

DATA = Path(__file__).parent / "data"
J2000 = 2451545.0
# From principal axes to mean Earth and polar axis: about the third axis, the second, the first.
TO_MEAN_EARTH_ARCSEC = ((2, -67.92), (1, -78.56), (0, -0.30))


@dataclass(frozen=True)
class TurnedMoon:
    """How an observer sees the Moon turned, at N instants.

    Attributes
    ----------
    longitude, latitude : ndarray, shape (N,)
        Selenographic, degrees, of the point below the observer: the libration l and b.
    axis_position_angle : ndarray, shape (N,)
        Of the north pole, from celestial north (true equator of date) through east, degrees: c.
    distance_km : ndarray, shape (N,)
        From the observer to the Moon's centre.
    towards, north, east : ndarray, shape (N, 3)
        Unit vectors in selenographic axes: to the observer, and on the sky at the Moon's centre.
    """

    longitude: Floats
    latitude: Floats
    axis_position_angle: Floats
    distance_km: Floats
    towards: Floats
    north: Floats
    east: Floats


def orientation_known(time: Time) -> bool:
    """Return whether the Moon's orientation is known at all of some instants (1900 to 2050)."""
    seconds = _seconds(time)
    kept = _series()
    # A day at either end for light-time and for whoever asks around a contact.
    first, last = float(kept["first_s"]) + 86400.0, float(kept["last_s"]) - 86400.0
    return bool(np.all((seconds > first) & (seconds < last)))


def turned_moon(time: Time, site: Site | None = None, *, ephemeris: str = "de421") -> TurnedMoon:
    """Return how the Moon is turned as seen from a site.

    Parameters
    ----------
    time : Time
        One instant or an array of N.
    site : Site, optional
        Without one, seen from the Earth's centre.
    ephemeris : str
        ``de421`` or ``de440``; the orientation is DE421's with both (they differ by 0.1 arcsec).

    Raises
    ------
    LimbwardError
        Before 1900 and after 2050, where the orientation is not known.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from limbward.sky.libration import turned_moon
    >>> moon = turned_moon(Time("2006-03-29T10:11:00"))
    >>> bool(abs(moon.longitude[0]) < 8)
    True
    """
    time = Time(np.atleast_1d(time))
    geo = geocentric(time, ephemeris)
    moon = geo.moon
    if site is not None:
        place = (site.latitude, site.longitude, site.height)
        moon = topocentric(geo, observer_earth_fixed(*(np.array([x]) for x in place)))[1]
    distance = np.linalg.norm(moon, axis=-1)
    away = moon / distance[:, None]
    x, y, z = away.T
    level = np.hypot(x, y)
    east = np.stack([-y / level, x / level, np.zeros_like(x)], axis=-1)
    north = np.stack([-x * z / level, -y * z / level, level], axis=-1)
    # From the true equator of date to ICRF axes, and from there to those of the Moon that is seen.
    from_date = np.swapaxes(earth_state(time).to_date, -1, -2)
    turn = _rotation(_seconds(time) - distance / LIGHT_KM_S) @ from_date
    towards, north, east = (np.einsum("nij,nj->ni", turn, v) for v in (-away, north, east))
    return TurnedMoon(
        longitude=np.degrees(np.arctan2(towards[:, 1], towards[:, 0])),
        latitude=np.degrees(np.arcsin(towards[:, 2])),
        # The third component of a unit vector is its scalar product with the pole.
        axis_position_angle=np.degrees(np.arctan2(east[:, 2], north[:, 2])),
        distance_km=distance,
        towards=towards,
        north=north,
        east=east,
    )


def _seconds(time: Time) -> Floats:
    """Return TDB seconds from J2000."""
    tdb = time.tdb
    return (np.atleast_1d(tdb.jd1) - J2000 + np.atleast_1d(tdb.jd2)) * 86400.0


@cache
def _series() -> dict[str, NDArray[np.generic]]:
    with np.load(DATA / "lunar_orientation.npz") as kept:
        return dict(kept)


def _rotation(seconds: Floats) -> Floats:
    """Return the rotations (N, 3, 3) from ICRF axes to mean Earth and polar axis."""
    kept = _series()
    begin, span, step = (float(kept[name]) for name in ("begin_s", "span_s", "step_rad"))
    mean, rest = kept["mean"], kept["rest"]
    record = np.floor((seconds - begin) / span).astype(int)
    if np.any((record < 0) | (record >= len(mean))):
        raise LimbwardError("The Moon's orientation is known from 1900 to 2050 only.")
    x = 2.0 * ((seconds - begin) / span - record) - 1.0
    coefficients = np.concatenate([mean[record][:, :, None], rest[record]], axis=2) * step
    angles = chebyshev.chebval(x, np.moveaxis(coefficients, 2, 0).swapaxes(1, 2), tensor=False)
    node, tilt, spin = angles
    turn = _about(2, spin) @ _about(0, tilt) @ _about(2, node)
    for axis, arcsec in TO_MEAN_EARTH_ARCSEC:
        turn = _about(axis, np.array([arcsec / ARCSEC])) @ turn
    return turn


def _about(axis: int, angle: Floats) -> Floats:
    """Return matrices (N, 3, 3) that turn the axes, not the vector, by ``angle``."""
    c, s = np.cos(angle), np.sin(angle)
    found = np.zeros((angle.size, 3, 3))
    second, third = (axis + 1) % 3, (axis + 2) % 3
    found[:, axis, axis] = 1.0
    found[:, second, second] = found[:, third, third] = c
    found[:, second, third], found[:, third, second] = s, -s
    return found
