"""Topocentric Sun and Moon: directions, distances, radii, and their offset on the sky."""

from __future__ import annotations

from dataclasses import dataclass, fields

import astropy.units as u
import numpy as np
from astropy.constants import c as light_speed
from astropy.time import Time
from numpy.typing import NDArray

from limbward.sky.earth import earth_state, observer_earth_fixed, observer_of_date
from limbward.sky.kernel import barycentric

Floats = NDArray[np.float64]

EARTH_EQUATORIAL_RADIUS_KM = 6378.137
LIGHT_KM_S = light_speed.to_value(u.km / u.s)
ARCSEC = np.degrees(1.0) * 3600.0

# The Sun's rotation axis in ICRF axes and the place of its prime meridian: B. A. Archinal et al.,
# Celest. Mech. Dyn. Astr. 130 (2018) 22 (IAU WGCCRE 2015).
SUN_POLE_RA, SUN_POLE_DEC = np.radians(286.13), np.radians(63.87)
SUN_W0, SUN_W_RATE = 84.176, 14.1844


@dataclass(frozen=True)
class Site:
    """A place on Earth: degrees north and east (WGS84), metres above the ellipsoid."""

    latitude: float
    longitude: float
    height: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Radii:
    """Sizes of Sun and Moon.

    Attributes
    ----------
    k_penumbra, k_umbra : float
        The Moon's radius in units of Earth's equatorial radius, for C1 and C4, and for C2 and C3.
        0.2725076 is the mean limb (IAU 1982); older tables use 0.272281 for the umbra, which stands
        for the bottoms of the valleys.
    solar_radius_km : float
        696 000 km is 959.63 arcsec at 1 au, as in the published tables.
    """

    k_penumbra: float = 0.2725076
    k_umbra: float = 0.2725076
    solar_radius_km: float = 696000.0


@dataclass(frozen=True)
class Geocentric:
    """Astrometric Sun and Moon from the Earth's centre, on the true equator and equinox of date.

    ``sun`` and ``moon`` (..., 3) are in km, light-time included; ``moon_velocity`` (..., 3) is the
    Moon's barycentric velocity in km/s; ``gast`` (...) is in radians.
    """

    sun: Floats
    moon: Floats
    moon_velocity: Floats
    gast: Floats


@dataclass(frozen=True)
class SkyView:
    """Sun and Moon as seen from a site at N instants; every array has shape (N,).

    Directions are topocentric, on the true equator of date and without refraction; angles are in
    degrees, radii and offsets in arcsec. ``moon_east_arcsec`` and ``moon_north_arcsec`` are the
    Moon's centre from the Sun's, on the plane that touches the sphere at the Sun's centre.
    ``parallactic_angle`` is the position angle of the zenith at the Sun,
    ``sun_axis_position_angle`` (P), ``sun_b0`` and ``sun_l0`` are those of the Sun's rotation axis
    and the Carrington longitude of the disc's centre.
    """

    time: Time
    sun_ra: Floats
    sun_dec: Floats
    sun_altitude: Floats
    sun_azimuth: Floats
    sun_distance_km: Floats
    sun_radius_arcsec: Floats
    moon_radius_arcsec: Floats
    moon_east_arcsec: Floats
    moon_north_arcsec: Floats
    parallactic_angle: Floats
    sun_axis_position_angle: Floats
    sun_b0: Floats
    sun_l0: Floats

    @property
    def separation_arcsec(self) -> Floats:
        """Angle between the centres of Sun and Moon, arcsec."""
        tangent = np.hypot(self.moon_east_arcsec, self.moon_north_arcsec) / ARCSEC
        return np.arctan(tangent) * ARCSEC

    def __getitem__(self, index: slice | NDArray[np.bool_]) -> SkyView:
        """Return the instants that ``index`` selects."""
        return SkyView(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def geocentric(time: Time, ephemeris: str = "de421") -> Geocentric:
    """Return astrometric Sun and Moon from the Earth's centre.

    Parameters
    ----------
    time : Time, shape (N,)
    ephemeris : str
        ``de421`` or ``de440``.

    Raises
    ------
    LimbwardError
        If the date lies outside the ephemeris.

    Notes
    -----
    Stellar aberration turns Sun and Moon, half a degree apart, by the same 20 arcsec and maps
    circles to circles, so it changes no contact and no offset beyond 0.01 arcsec; it is left out.
    Light-time is not: it moves the Moon against the Sun by the same 20 arcsec.
    """
    tdb = time.tdb
    tdb1, tdb2 = np.atleast_1d(tdb.jd1), np.atleast_1d(tdb.jd2)
    _, _, earth, _ = barycentric(ephemeris, tdb1, tdb2)

    def astrometric(body: int) -> tuple[Floats, Floats]:
        light_days = np.zeros_like(tdb1)
        for _ in range(3):  # converges by v/c = 1e-4 a round
            bodies = barycentric(ephemeris, tdb1, tdb2 - light_days)
            vector = bodies[body] - earth
            light_days = np.linalg.norm(vector, axis=-1) / LIGHT_KM_S / 86400.0
        return vector, bodies[3]

    sun, _ = astrometric(0)
    moon, moon_velocity = astrometric(1)
    state = earth_state(time)

    def of_date(v: Floats) -> Floats:
        return np.einsum("nij,nj->ni", state.to_date, v)

    return Geocentric(of_date(sun), of_date(moon), of_date(moon_velocity), state.gast)


def topocentric(geo: Geocentric, earth_fixed: Floats) -> tuple[Floats, Floats]:
    """Return vectors from the observer to Sun and Moon, km, on the equator of date.

    Parameters
    ----------
    geo : Geocentric
        Arrays whose leading shape broadcasts with that of ``earth_fixed``.
    earth_fixed : ndarray, shape (..., 3)
        From `limbward.sky.earth.observer_earth_fixed`.

    Notes
    -----
    The observer is up to 21 ms of light nearer to the Moon than the Earth's centre is; the Moon
    moves by 0.6 km (0.3 arcsec) about the barycentre meanwhile, so the light-time is corrected.
    """
    observer = observer_of_date(earth_fixed, geo.gast)
    moon = geo.moon - observer
    saved = (np.linalg.norm(geo.moon, axis=-1) - np.linalg.norm(moon, axis=-1)) / LIGHT_KM_S
    return geo.sun - observer, moon + geo.moon_velocity * saved[..., None]


def tangent_offset(origin: Floats, vector: Floats) -> tuple[Floats, Floats]:
    """Return the gnomonic offset of ``vector`` from ``origin``, east and north, arcsec.

    Parameters
    ----------
    origin, vector : ndarray, shape (..., 3)
        Directions on the equator of date, of any length.
    """
    x, y, z = (origin[..., i] for i in range(3))
    level = np.hypot(x, y)
    length = np.sqrt(level**2 + z**2)
    east = np.stack([-y / level, x / level, np.zeros_like(x)], axis=-1)
    north = np.stack([-x * z, -y * z, level**2], axis=-1) / (length * level)[..., None]
    along = np.sum(origin * vector, axis=-1) / length
    return (
        np.sum(east * vector, axis=-1) / along * ARCSEC,
        np.sum(north * vector, axis=-1) / along * ARCSEC,
    )


def horizontal(
    vector: Floats, gast: Floats, latitude: Floats, longitude: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return altitude, azimuth (from north through east) and parallactic angle, degrees.

    Parameters
    ----------
    vector : ndarray, shape (..., 3)
        Direction on the equator of date.
    gast : ndarray
        Radians.
    latitude, longitude : ndarray
        Degrees.
    """
    hour_angle = gast + np.radians(longitude) - np.arctan2(vector[..., 1], vector[..., 0])
    dec = np.arctan2(vector[..., 2], np.hypot(vector[..., 0], vector[..., 1]))
    phi = np.radians(latitude)
    sin_alt = np.sin(phi) * np.sin(dec) + np.cos(phi) * np.cos(dec) * np.cos(hour_angle)
    azimuth = np.arctan2(
        -np.cos(dec) * np.sin(hour_angle),
        np.sin(dec) * np.cos(phi) - np.cos(dec) * np.sin(phi) * np.cos(hour_angle),
    )
    parallactic = np.arctan2(
        np.sin(hour_angle),
        np.tan(phi) * np.cos(dec) - np.sin(dec) * np.cos(hour_angle),
    )
    altitude = np.degrees(np.arcsin(np.clip(sin_alt, -1.0, 1.0)))
    return altitude, np.degrees(azimuth) % 360.0, np.degrees(parallactic)


def _sun_axis(time: Time, sun: Floats) -> tuple[Floats, Floats, Floats]:
    """Return P, B0 and L0 in degrees for the Sun in direction ``sun`` (N, 3), km, of date."""
    to_date = earth_state(time).to_date
    pole = np.array(
        [
            np.cos(SUN_POLE_DEC) * np.cos(SUN_POLE_RA),
            np.cos(SUN_POLE_DEC) * np.sin(SUN_POLE_RA),
            np.sin(SUN_POLE_DEC),
        ]
    )
    node = np.array([-np.sin(SUN_POLE_RA), np.cos(SUN_POLE_RA), 0.0])  # ascending, on the equator
    pole_date, node_date = to_date @ pole, to_date @ node
    distance = np.linalg.norm(sun, axis=-1, keepdims=True)
    # A point a millionth of the distance up the axis shows where the axis points on the sky.
    east, north = tangent_offset(sun, sun + pole_date * distance * 1e-6)
    p = np.degrees(np.arctan2(east, north))
    to_observer = -sun / distance
    b0 = np.degrees(np.arcsin(np.sum(to_observer * pole_date, axis=-1)))
    third = np.cross(pole_date, node_date)
    from_node = np.arctan2(
        np.sum(to_observer * third, axis=-1), np.sum(to_observer * node_date, axis=-1)
    )
    light_days = distance[:, 0] / LIGHT_KM_S / 86400.0
    days = np.atleast_1d(time.tdb.jd1) - 2451545.0 + np.atleast_1d(time.tdb.jd2) - light_days
    l0 = (np.degrees(from_node) - (SUN_W0 + SUN_W_RATE * days)) % 360.0
    return p, b0, l0


def view(
    time: Time, site: Site, *, radii: Radii | None = None, ephemeris: str = "de421"
) -> SkyView:
    """Return Sun and Moon as seen from a site.

    Parameters
    ----------
    time : Time
        One instant or an array of N.
    site : Site
    radii : Radii, optional
        ``k_penumbra`` gives the Moon's radius.
    ephemeris : str
        ``de421`` (default) or ``de440``.

    Returns
    -------
    SkyView

    Raises
    ------
    LimbwardError
        If the date lies outside the ephemeris.

    Examples
    --------
    >>> from astropy.time import Time
    >>> from limbward.sky.ephemeris import Site, view
    >>> sky = view(Time("2026-08-12T17:46:00"), Site(65.0, -25.0))
    >>> bool(sky.separation_arcsec[0] < 60)
    True
    """
    radii = radii or Radii()
    time = Time(np.atleast_1d(time))
    geo = geocentric(time, ephemeris)
    earth_fixed = observer_earth_fixed(
        np.array([site.latitude]), np.array([site.longitude]), np.array([site.height])
    )
    sun, moon = topocentric(geo, earth_fixed)
    altitude, azimuth, parallactic = horizontal(
        sun, geo.gast, np.array(site.latitude), np.array(site.longitude)
    )
    east, north = tangent_offset(sun, moon)
    p, b0, l0 = _sun_axis(time, sun)
    sun_km, moon_km = np.linalg.norm(sun, axis=-1), np.linalg.norm(moon, axis=-1)
    return SkyView(
        time=time,
        sun_ra=np.degrees(np.arctan2(sun[..., 1], sun[..., 0])) % 360.0,
        sun_dec=np.degrees(np.arcsin(sun[..., 2] / sun_km)),
        sun_altitude=altitude,
        sun_azimuth=azimuth,
        sun_distance_km=sun_km,
        sun_radius_arcsec=np.arcsin(radii.solar_radius_km / sun_km) * ARCSEC,
        moon_radius_arcsec=np.arcsin(radii.k_penumbra * EARTH_EQUATORIAL_RADIUS_KM / moon_km)
        * ARCSEC,
        moon_east_arcsec=east,
        moon_north_arcsec=north,
        parallactic_angle=parallactic,
        sun_axis_position_angle=p,
        sun_b0=b0,
        sun_l0=l0,
    )
