"""The sky of one eclipse as smooth functions of time, cheap enough for a fit's inner loop."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.sky.ephemeris import Radii, Site, view
from limbward.sky.refraction import apparent_moon_offset, refraction_matrix

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SkyTrack:
    """Sun and Moon from a site near an eclipse, as functions of seconds from ``epoch`` (UTC)."""

    epoch: Time
    first_s: float
    last_s: float
    _offset: CubicSpline
    _parallactic: CubicSpline
    _horizontal: CubicSpline
    _sun_radius: CubicSpline
    _moon_radius: CubicSpline
    _refraction: CubicSpline

    def offset_arcsec(self, t: Floats) -> Floats:
        """Return the Moon's refracted offset from the Sun, shape (..., 2): east, north."""
        return np.asarray(self._offset(t))

    def parallactic_angle(self, t: Floats) -> Floats:
        """Return the zenith's position angle at the Sun, degrees, without wraps."""
        return np.asarray(self._parallactic(t))

    def turned(self, t: Floats) -> Floats:
        """Return by how much a field that does not follow the sky has turned since the epoch.

        Degrees, as the zenith does.
        """
        return self.parallactic_angle(t) - self.parallactic_angle(np.zeros(1))

    def altitude(self, t: Floats) -> Floats:
        """Return the Sun's altitude without refraction, degrees."""
        return np.asarray(self._horizontal(t)[..., 0])

    def leaning(self, north_deg: float, east_deg: float) -> SkyTrack:
        """Return the track with the zenith of a head that is not level, for how its field turns.

        Parameters
        ----------
        north_deg, east_deg : float
            By how much its vertical axis leans towards north and towards east.
        """
        if north_deg == east_deg == 0.0:
            return self
        lean = np.radians(np.hypot(north_deg, east_deg))
        t = self._parallactic.x
        altitude, azimuth = np.radians(self._horizontal(t).T)
        apart = np.arctan2(east_deg, north_deg) - azimuth
        # Sun, zenith and the axis: the angle at the Sun by the rule of cotangents.
        turned = np.arctan2(
            np.sin(lean) * np.sin(apart),
            np.cos(lean) * np.cos(altitude) - np.sin(lean) * np.sin(altitude) * np.cos(apart),
        )
        angle = self._parallactic(t) - np.degrees(np.unwrap(turned))
        return replace(self, _parallactic=spline(t, angle))

    def refraction(self, t: Floats) -> Floats:
        """Return what refraction does to offsets (east, north), shape (..., 2, 2)."""
        return np.asarray(self._refraction(t))

    def sun_radius_arcsec(self, t: Floats) -> Floats:
        """Return the Sun's radius, the mean of its refracted (slightly flattened) disc."""
        return np.asarray(self._sun_radius(t))

    def with_sun(self, factor: float) -> SkyTrack:
        """Return the track with a Sun that is larger by a factor, as a spectral line shows it."""
        t = self._sun_radius.x
        return replace(self, _sun_radius=spline(t, factor * self._sun_radius(t)))

    def moon_radius_arcsec(self, t: Floats) -> Floats:
        """Return the Moon's radius, the mean of its refracted disc."""
        return np.asarray(self._moon_radius(t))


def sky_track(
    epoch: Time,
    site: Site,
    *,
    half_span_s: float = 3 * 3600.0,
    radii: Radii | None = None,
    ephemeris: str = "de421",
    pressure_hpa: float = 1010.0,
    temperature_c: float = 10.0,
    step_s: float = 60.0,
) -> SkyTrack:
    """Return the sky of an eclipse as smooth functions of time.

    Parameters
    ----------
    epoch : Time
        Zero of the seconds, greatest eclipse by custom.
    site : Site
    half_span_s : float
        Seconds covered either way.
    radii, ephemeris, pressure_hpa, temperature_c
        As for `limbward.sky.ephemeris.view` and `limbward.sky.refraction.refraction_matrix`.
    step_s : float
        Seconds between the values that are computed; ``half_span_s`` is a multiple of it.

    Notes
    -----
    A cubic spline; through values a minute apart it follows the offset to 1e-5 arcsec.
    """
    t = np.arange(-half_span_s, half_span_s + 1, step_s)
    sky = view(epoch + TimeDelta(t, format="sec"), site, radii=radii, ephemeris=ephemeris)
    matrix = refraction_matrix(sky, pressure_hpa, temperature_c)
    shrink = np.sqrt(np.linalg.det(matrix))
    return SkyTrack(
        epoch,
        float(t[0]),
        float(t[-1]),
        spline(t, apparent_moon_offset(sky, pressure_hpa, temperature_c)),
        spline(t, _unwrapped(sky.parallactic_angle)),
        spline(t, np.stack([sky.sun_altitude, _unwrapped(sky.sun_azimuth)], axis=1)),
        spline(t, sky.sun_radius_arcsec * shrink),
        spline(t, sky.moon_radius_arcsec * shrink),
        spline(t, matrix),
    )


def spline(t: Floats, values: Floats) -> CubicSpline:
    """Return the cubic spline through values, shape (N, ...), at ascending times, shape (N,)."""
    # Imported where it is used: a command that needs no track would wait 0.3 s for it.
    from scipy.interpolate import CubicSpline

    return CubicSpline(t, values)


def _unwrapped(degrees: Floats) -> Floats:
    return np.degrees(np.unwrap(np.radians(degrees)))
