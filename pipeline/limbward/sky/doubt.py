"""What errors of the site and of the air do to the sky of an eclipse."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from limbward.sky.air import Air
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.track import SkyTrack, sky_track, spline

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

Floats = NDArray[np.float64]

KM_A_DEGREE = 111.2  # of latitude; within 0.5 % everywhere
SITE_KM = 0.15  # how well a place on a map is known; the clock's error is a second a kilometre
SEASON = 0.04  # relative error of refraction by a season's temperature, see `standard_air`
MEASURED_AIR = 0.01  # the same with pressure and temperature given, which vary along the way
DIFFERENCE_KM, DIFFERENCE_AIR = 2.0, 0.05
COARSE_S = 600.0  # a step of the derivatives, which bend little in an hour


@dataclass(frozen=True)
class Doubt:
    """How a track changes with the site and with the air, and how well both are known.

    Attributes
    ----------
    site_km : float
        Standard error of the stated coordinates, along each axis.
    air : float
        Relative standard error of refraction.
    centre_km : tuple of float
        How far north and east of the stated place the track was computed.
    moved : callable
        Takes kilometres north and east, returns track and doubt there.
    """

    site_km: float
    air: float
    centre_km: tuple[float, float]
    moved: Callable[[float, float], tuple[SkyTrack, Doubt]]
    _shift: CubicSpline
    _growth: CubicSpline

    def shift_arcsec(self, t: Floats) -> Floats:
        """Return what a km north, a km east and refraction twice as strong do, (..., 2, 3)."""
        return np.asarray(self._shift(t))

    def growth(self, t: Floats) -> Floats:
        """Return the relative change of the Sun's radius with refraction, (...)."""
        return np.asarray(self._growth(t))


def doubted_track(
    track: SkyTrack,
    site: Site,
    air: Air,
    *,
    radii: Radii | None = None,
    ephemeris: str = "de421",
    site_km: float = SITE_KM,
    air_error: float = SEASON,
) -> Doubt:
    """Return how the track of a site would change with its place and its air.

    Parameters
    ----------
    track : SkyTrack
        Computed for ``site`` and ``air``.
    site : Site
    air : Air
    radii, ephemeris
        As for `sky_track`.
    site_km : float
        Standard error of the coordinates.
    air_error : float
        Relative standard error of refraction.

    Notes
    -----
    A kilometre across the line of sight moves the Moon by 0.55 arcsec: the part along its path is
    a second of time, the part across it nothing that a clock can do.
    """
    span = min(-track.first_s, track.last_s)

    def computed(north: float, east: float, more_air: float = 0.0, step: float = 60.0) -> SkyTrack:
        return sky_track(
            track.epoch,
            moved_site(site, north, east),
            half_span_s=span,
            radii=radii,
            ephemeris=ephemeris,
            pressure_hpa=air.pressure_hpa * (1.0 + more_air),
            temperature_c=air.temperature_c,
            step_s=step,
        )

    def doubt(north: float, east: float) -> Doubt:
        d, a = DIFFERENCE_KM, DIFFERENCE_AIR
        ends = [
            (computed(north + d, east, 0.0, COARSE_S), computed(north - d, east, 0.0, COARSE_S)),
            (computed(north, east + d, 0.0, COARSE_S), computed(north, east - d, 0.0, COARSE_S)),
            (computed(north, east, a, COARSE_S), computed(north, east, -a, COARSE_S)),
        ]
        t = np.arange(-span, span + 1.0, COARSE_S)
        shift = np.stack(
            [
                (more.offset_arcsec(t) - less.offset_arcsec(t)) / (2.0 * size)
                for (more, less), size in zip(ends, (d, d, a), strict=True)
            ],
            axis=-1,
        )
        more, less = (np.log(end.sun_radius_arcsec(t)) for end in ends[2])
        return Doubt(
            site_km,
            air_error,
            (north, east),
            lambda n, e: (computed(n, e), doubt(n, e)),
            spline(t, shift),
            spline(t, (more - less) / (2.0 * a)),
        )

    return doubt(0.0, 0.0)


def moved_site(site: Site, north_km: float, east_km: float) -> Site:
    """Return a place some kilometres from another."""
    latitude = float(np.clip(site.latitude + north_km / KM_A_DEGREE, -90.0, 90.0))
    shrink = max(float(np.cos(np.radians(site.latitude))), 0.01)
    longitude = site.longitude + east_km / KM_A_DEGREE / shrink
    return replace(site, latitude=latitude, longitude=longitude)
