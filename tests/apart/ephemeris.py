"""Apparent topocentric Sun and Moon from DE421, and the contacts at a site."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path

import erfa
import numpy as np
from astropy.time import Time
from astropy.utils import iers
from jplephem.spk import SPK
from scipy.optimize import brentq, minimize_scalar

ARCSEC = np.pi / 180 / 3600
AU_KM = 149597870.7
EARTH_KM = 6378.137
LIGHT_KM_S = 299792.458
MOON_K = 0.2725076  # IAU 1982
SUN_KM = 696000.0  # 959.63 arcsec at 1 au
# The Sun's axis, J2000 (R. C. Carrington's elements as in the IAU working group's reports).
SUN_POLE = np.radians([286.13, 63.87])


@functools.cache
def kernel():
    """DE421 as skyfield-data ships it."""
    import skyfield_data

    return SPK.open(str(Path(skyfield_data.__file__).parent / "data" / "de421.bsp"))


@functools.cache
def _ut1_table() -> tuple[np.ndarray, np.ndarray]:
    """MJD and UT1 - UTC (s) of Bulletin A, read by the columns that its readme gives."""
    rows = []
    for line in Path(iers.IERS_A_FILE).read_text(encoding="utf-8").splitlines():
        if line[58:68].strip():
            rows.append((float(line[7:15]), float(line[58:68])))
    table = np.array(rows)
    return table[:, 0], table[:, 1]


def ut1_minus_utc(jd: float) -> float:
    """From the bundled IERS table; outside of it the nearest value is held."""
    mjd, dut1 = _ut1_table()
    return float(np.interp(jd - 2400000.5, mjd, dut1))


@dataclass(frozen=True)
class Apparent:
    """Sun and Moon seen from a site; arrays over times."""

    sun: np.ndarray  # (n, 3) apparent, GCRS axes
    moon: np.ndarray
    sun_km: np.ndarray
    moon_km: np.ndarray
    to_date: np.ndarray  # (n, 3, 3) GCRS to true equator and equinox of date
    to_local: np.ndarray  # (n, 3, 3) GCRS to east, north, up

    def local(self, which: str) -> np.ndarray:
        """Unrefracted direction, (n, 3) east, north, up."""
        return np.einsum("nij,nj->ni", self.to_local, getattr(self, which))

    def equatorial(self, which: str) -> np.ndarray:
        return np.einsum("nij,nj->ni", self.to_date, getattr(self, which))


@dataclass(frozen=True)
class Site:
    """Degrees north and east, metres above the ellipsoid, and the date that times count from."""

    latitude: float
    longitude: float
    height: float
    date: str
    sun_km: float = SUN_KM
    moon_k: float = MOON_K
    delta_t: float | None = None  # TT - UT1 instead of the IERS table's

    @functools.cached_property
    def jd0(self) -> float:
        return float(Time(self.date, scale="utc").jd1 + Time(self.date, scale="utc").jd2)

    @functools.cached_property
    def dut1(self) -> float:
        return ut1_minus_utc(self.jd0 + 0.5)

    def look(self, seconds) -> Apparent:
        """Where Sun and Moon appear, aberration, light time and parallax included."""
        day = np.atleast_1d(np.asarray(seconds, float)) / 86400
        tt1, tt2 = erfa.taitt(*erfa.utctai(self.jd0, day))
        if self.delta_t is None:
            ut1, ut2 = erfa.utcut1(self.jd0, day, self.dut1)
        else:
            ut1, ut2 = tt1, tt2 - self.delta_t / 86400
        lon, lat = np.radians([self.longitude, self.latitude])
        tdb = tt2 + erfa.dtdb(tt1, tt2, ut2 % 1, lon, EARTH_KM * np.cos(lat), 0.0) / 86400
        c2t = erfa.c2t06a(tt1, tt2, ut1, ut2, 0.0, 0.0)
        itrs = erfa.gd2gc(1, lon, lat, self.height) / 1000
        spin = 1.00273781191135448 * 2 * np.pi / 86400
        here = np.einsum("nji,j->ni", c2t, itrs)
        swing = np.einsum("nji,j->ni", c2t, spin * np.array([-itrs[1], itrs[0], 0.0]))
        earth, velocity = _earth(tt1, tdb)
        observer, velocity = earth + here, velocity + swing
        sun, sun_km = _seen("sun", tt1, tdb, observer)
        moon, moon_km = _seen("moon", tt1, tdb, observer)
        beta = velocity / LIGHT_KM_S
        lorentz = np.sqrt(1 - np.sum(beta**2, 1))
        sun = erfa.ab(sun, beta, sun_km / AU_KM, lorentz)
        moon = erfa.ab(moon, beta, sun_km / AU_KM, lorentz)
        enu = np.array(
            [
                [-np.sin(lon), np.cos(lon), 0],
                [-np.sin(lat) * np.cos(lon), -np.sin(lat) * np.sin(lon), np.cos(lat)],
                [np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)],
            ]
        )
        return Apparent(sun, moon, sun_km, moon_km, erfa.pnm06a(tt1, tt2), enu @ c2t)

    def radii(self, seen: Apparent) -> tuple[np.ndarray, np.ndarray]:
        """Semidiameters of Sun and Moon, arcseconds."""
        sun = np.arcsin(self.sun_km / seen.sun_km) / ARCSEC
        return sun, np.arcsin(self.moon_k * EARTH_KM / seen.moon_km) / ARCSEC

    def gap(self, seconds) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Distance of the centres and both radii, arcseconds."""
        seen = self.look(seconds)
        cross = np.linalg.norm(np.cross(seen.sun, seen.moon), axis=1)
        apart = np.arctan2(cross, np.sum(seen.sun * seen.moon, 1)) / ARCSEC
        return (apart, *self.radii(seen))

    def contacts(self) -> dict[str, float]:
        """C1, C2, greatest, C3, C4 in seconds; what does not happen is absent."""
        grid = np.arange(-3600.0, 90000.0, 120.0)
        apart, sun, moon = self.gap(grid)
        first = int(np.argmin((apart - sun - moon) / sun))

        def depth(t: float) -> float:
            a, s, m = (float(v[0]) for v in self.gap(t))
            return (a - s - m) / s

        best = minimize_scalar(
            depth, bounds=(grid[first] - 240, grid[first] + 240), method="bounded",
            options={"xatol": 1e-3},
        )  # fmt: skip
        found: dict[str, float] = {}
        if best.fun >= 0:
            return found
        found["greatest"] = float(best.x)

        def outer(t: float) -> float:
            a, s, m = (float(v[0]) for v in self.gap(t))
            return a - s - m

        def inner(t: float) -> float:
            a, s, m = (float(v[0]) for v in self.gap(t))
            return a - abs(m - s)

        found["C1"] = brentq(outer, best.x - 9000, best.x, xtol=1e-4)
        found["C4"] = brentq(outer, best.x, best.x + 9000, xtol=1e-4)
        if inner(best.x) < 0:
            found["C2"] = brentq(inner, best.x - 900, best.x, xtol=1e-4)
            found["C3"] = brentq(inner, best.x, best.x + 900, xtol=1e-4)
        return found


def _earth(jd1, jd2):
    first, vel1 = kernel()[0, 3].compute_and_differentiate(jd1, jd2)
    second, vel2 = kernel()[3, 399].compute_and_differentiate(jd1, jd2)
    return (first + second).T, (vel1 + vel2).T / 86400


def _seen(which, jd1, jd2, observer):
    """Unit vector and distance (km), light time allowed for."""
    delay = np.zeros_like(jd2)
    for _ in range(4):
        if which == "sun":
            place = kernel()[0, 10].compute(jd1, jd2 - delay)
        else:
            place = kernel()[0, 3].compute(jd1, jd2 - delay)
            place = place + kernel()[3, 301].compute(jd1, jd2 - delay)
        way = place.T - observer
        far = np.linalg.norm(way, axis=1)
        delay = far / LIGHT_KM_S / 86400
    return way / far[:, None], far


def solar_north(seen: Apparent) -> float:
    """Position angle of the Sun's north pole, true equator of date, degrees (first time)."""
    ra, dec = SUN_POLE
    pole = seen.to_date[0] @ [np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)]
    east, north = tangent_axes(seen.equatorial("sun")[0])
    return float(np.degrees(np.arctan2(pole @ east, pole @ north)))


def tangent_axes(direction: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """East and north at a direction of an equatorial frame."""
    east = np.cross([0.0, 0.0, 1.0], direction)
    east /= np.linalg.norm(east)
    return east, np.cross(direction, east)


def shadow_axis(date: str, seconds: float) -> tuple[float, float] | None:
    """Latitude and longitude where the Moon's shadow axis meets the ellipsoid, or None."""
    site = Site(0.0, 0.0, 0.0, date)
    day = np.atleast_1d(seconds) / 86400
    tt1, tt2 = erfa.taitt(*erfa.utctai(site.jd0, day))
    earth, _ = _earth(tt1, tt2)
    sun, sun_km = _seen("sun", tt1, tt2, earth)
    moon, moon_km = _seen("moon", tt1, tt2, earth)
    c2t = erfa.c2t06a(tt1, tt2, *erfa.utcut1(site.jd0, day, site.dut1), 0.0, 0.0)[0]
    a, b = c2t @ (moon[0] * moon_km[0]), c2t @ (sun[0] * sun_km[0])
    way = (a - b) / np.linalg.norm(a - b)
    squash = np.array([1, 1, 1 / (1 - 1 / 298.257223563)])
    p, q = a * squash / EARTH_KM, way * squash
    half, full = p @ q, p @ p - 1
    root = half**2 - (q @ q) * full
    if root < 0:
        return None
    hit = a + way * EARTH_KM * (-half - np.sqrt(root)) / (q @ q)
    lon, lat, _ = erfa.gc2gd(1, hit * 1000)
    return float(np.degrees(lat)), float(np.degrees(lon))
