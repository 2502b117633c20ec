"""Sun, Moon, planets and stars over a site as smooth functions of time."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, PPoly

from limbward.landscape.lens import enu
from limbward.sky.apparent import bright_stars, solar_system
from limbward.sky.ephemeris import Radii, Site, view

Floats = NDArray[np.float64]

SUN, MOON = 0, 1  # numbers of these bodies


@dataclass(frozen=True)
class Heavens:
    """What stands in a site's sky, by seconds from ``epoch`` (UTC).

    Attributes
    ----------
    epoch : Time
    first_s, last_s : float
        Seconds that are covered.
    name, kind : list of str
        Of M bodies: the Sun first, then the Moon, planets, and stars, the brightest first.
    magnitude : ndarray, shape (M,)
        NaN for Sun and Moon.
    """

    epoch: Time
    first_s: float
    last_s: float
    name: list[str]
    kind: list[str]
    magnitude: Floats
    _vector: CubicSpline
    _radius: CubicSpline
    _single: dict[int, PPoly] = field(default_factory=dict, repr=False)

    def vectors(self, t: Floats) -> Floats:
        """Return unit vectors (..., M, 3) east, north, up, refraction included."""
        found = self._vector(t)
        return np.asarray(found / np.linalg.norm(found, axis=-1, keepdims=True))

    def vector_of(self, body: int, t: Floats) -> Floats:
        """Return the unit vector (..., 3) of one body."""
        if body not in self._single:
            spline = self._vector
            self._single[body] = PPoly.construct_fast(spline.c[:, :, body], spline.x)
        found = self._single[body](t)
        return np.asarray(found / np.linalg.norm(found, axis=-1, keepdims=True))

    def sun_moon(self, t: Floats) -> tuple[Floats, Floats]:
        """Return the vectors of Sun and Moon, each (..., 3)."""
        return self.vector_of(SUN, t), self.vector_of(MOON, t)

    def radii_deg(self, t: Floats) -> tuple[Floats, Floats]:
        """Return the radii of Sun and Moon, degrees."""
        radii = self._radius(t)
        return radii[..., 0], radii[..., 1]


def heavens(
    epoch: Time,
    site: Site,
    *,
    half_span_s: float = 3.5 * 3600.0,
    faintest: float = 3.5,
    radii: Radii | None = None,
    ephemeris: str = "de421",
    pressure_hpa: float = 1010.0,
    temperature_c: float = 10.0,
    step_s: float = 300.0,
) -> Heavens:
    """Return the sky of an eclipse.

    Parameters
    ----------
    epoch : Time
        Zero of the seconds.
    site : Site
    half_span_s : float
        Seconds covered either way.
    faintest : float
        Magnitude of the faintest stars.
    radii, ephemeris, pressure_hpa, temperature_c
        As for `limbward.sky.apparent.solar_system`.
    step_s : float
        Between the instants that are computed; a cubic spline through them is right to 0.1 arcsec.
    """
    t = np.arange(-half_span_s, half_span_s + 1.0, step_s)
    times = epoch + TimeDelta(t, format="sec")
    air = {"pressure_hpa": pressure_hpa, "temperature_c": temperature_c}
    bodies = solar_system(times, site, ephemeris=ephemeris, **air)
    stars = bright_stars(times, site, faintest=faintest, ephemeris=ephemeris, **air)
    bodies = bodies.joined(stars)
    seen = view(times, site, radii=radii, ephemeris=ephemeris)
    sizes = np.stack([seen.sun_radius_arcsec, seen.moon_radius_arcsec], axis=-1) / 3600.0
    return Heavens(
        epoch,
        float(t[0]),
        float(t[-1]),
        bodies.name,
        bodies.kind,
        bodies.magnitude[len(t) // 2],
        CubicSpline(t, enu(bodies.altitude, bodies.azimuth)),
        CubicSpline(t, sizes),
    )
