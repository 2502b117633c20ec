"""Where the edge of the Moon's umbra stands in a site's sky, on air at a height."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.time import Time
from numpy.typing import NDArray

from limbward.sky.earth import observer_earth_fixed, observer_of_date
from limbward.sky.ephemeris import (
    EARTH_EQUATORIAL_RADIUS_KM,
    Geocentric,
    Radii,
    Site,
    geocentric,
    horizontal,
)

Floats = NDArray[np.float64]

EARTH_POLAR_RADIUS_KM = 6356.752314  # WGS84


@dataclass(frozen=True)
class UmbraEdge:
    """The edge at N instants, as P points around the shadow's cone.

    Attributes
    ----------
    altitude, azimuth : ndarray, shape (N, P)
        Degrees, without refraction; negative altitudes are below the horizon. NaN where the cone
        passes the Earth's air by.
    covers_site : ndarray of bool, shape (N,)
        Whether the air above the site itself is in the shadow.
    """

    altitude: Floats
    azimuth: Floats
    covers_site: NDArray[np.bool_]


def umbra_edge(
    time: Time,
    site: Site,
    *,
    height_km: float = 10.0,
    radii: Radii | None = None,
    ephemeris: str = "de421",
    points: int = 360,
) -> UmbraEdge:
    """Return the edge of the umbra on a shell of air as a site sees it.

    Parameters
    ----------
    time : Time
        One instant or an array of N.
    site : Site
    height_km : float
        Height of the shell above the ellipsoid: where most of the light that is seen is scattered.
        Air below 10 km is denser, but seen through more of it.
    radii : Radii, optional
        ``k_umbra`` gives the Moon's radius.
    ephemeris : str
    points : int
        Around the cone, evenly.

    Raises
    ------
    ConfigError
        If the date lies outside the ephemeris.

    Notes
    -----
    Each of the cone's straight lines is cut with the ellipsoid of the shell; with its polar axis
    stretched to a sphere the cut is a quadratic equation, of which the root on the side of the Sun
    counts. The same holds beyond the cone's vertex, where the eclipse is annular.
    """
    radii = radii or Radii()
    time = Time(np.atleast_1d(time))
    geo = geocentric(time, ephemeris)
    vertex, lines, side = _cone(geo, radii, points)
    equatorial = EARTH_EQUATORIAL_RADIUS_KM + height_km
    stretch = np.array([1.0, 1.0, equatorial / (EARTH_POLAR_RADIUS_KM + height_km)])
    start, step = vertex[:, None, :] * stretch, lines * stretch
    a = np.sum(step**2, axis=-1)
    b = np.sum(start * step, axis=-1)
    c = np.sum(start**2, axis=-1) - equatorial**2
    inside = b**2 - a * c
    with np.errstate(invalid="ignore"):
        # Of the two cuts the one nearer to the Moon, from which the lines come.
        along = (-b + np.sqrt(inside)) / a
    place = vertex[:, None, :] + along[..., None] * lines
    fixed = observer_earth_fixed(
        np.array([site.latitude]), np.array([site.longitude]), np.array([site.height])
    )
    here = observer_of_date(fixed, geo.gast)
    altitude, azimuth, _ = horizontal(
        place - here[:, None, :],
        geo.gast[:, None],
        np.array(site.latitude),
        np.array(site.longitude),
    )
    above = observer_of_date(
        observer_earth_fixed(
            np.array([site.latitude]), np.array([site.longitude]), np.array([1000.0 * height_km])
        ),
        geo.gast,
    )
    return UmbraEdge(altitude, azimuth, _covered(above, vertex, side, lines))


def _cone(geo: Geocentric, radii: Radii, points: int) -> tuple[Floats, Floats, Floats]:
    """Return vertex (N, 3), lines towards the Moon (N, P, 3) and the axis' way there (N, 3)."""
    moon_km = radii.k_umbra * EARTH_EQUATORIAL_RADIUS_KM
    axis = geo.moon - geo.sun
    distance = np.linalg.norm(axis, axis=-1)
    axis = axis / distance[:, None]
    difference = radii.solar_radius_km - moon_km
    vertex = geo.moon + axis * (distance * moon_km / difference)[:, None]
    sine = (difference / distance)[:, None, None]
    # Any direction across the axis will do: points are not numbered from a particular one.
    first = np.cross(axis, np.array([0.0, 0.0, 1.0]))
    first /= np.linalg.norm(first, axis=-1, keepdims=True)
    second = np.cross(axis, first)
    angle = np.linspace(0.0, 2.0 * np.pi, points, endpoint=False)
    across = (
        np.cos(angle)[None, :, None] * first[:, None, :]
        + np.sin(angle)[None, :, None] * second[:, None, :]
    )
    return vertex, sine * across - np.sqrt(1.0 - sine**2) * axis[:, None, :], -axis


def _covered(place: Floats, vertex: Floats, back: Floats, lines: Floats) -> NDArray[np.bool_]:
    """Return whether places are within the cone, before its vertex or behind it."""
    offset = place - vertex
    cosine = np.sum(offset * back, axis=-1) / np.linalg.norm(offset, axis=-1)
    return np.asarray(np.abs(cosine) >= np.sum(lines[:, 0] * back, axis=-1))
