"""Planets and stars against Skyfield, which shares the kernel but no code."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.time import Time
from skyfield.api import Star, load, load_file, wgs84
from skyfield.magnitudelib import planetary_magnitude

from limbward.sky.apparent import PLANETS, bright_stars, solar_system
from limbward.sky.ephemeris import Site
from limbward.sky.kernel import kernel_path
from limbward.sky.magnitudes import planet_magnitude

# Ten eclipses, a place on the path of each (rounded coordinates).
ECLIPSES = [
    ("1979-02-26T16:53:00", 51.0, -98.0),
    ("1973-06-30T11:38:00", 18.8, 5.6),
    ("1991-07-11T19:06:00", 22.0, -105.2),
    ("1999-08-11T11:03:00", 45.1, 24.3),
    ("2006-03-29T10:11:00", 23.2, 16.7),
    ("2009-07-22T02:35:00", 24.2, 144.1),
    ("2017-08-21T18:25:00", 37.0, -87.7),
    ("2024-04-08T18:17:00", 25.3, -104.1),
    ("2026-08-12T17:46:00", 65.2, -25.2),
    ("2027-08-02T10:07:00", 25.5, 33.2),
]
TARGET = {
    "Mercury": "mercury",
    "Venus": "venus",
    "Mars": "mars",
    "Jupiter": "jupiter barycenter",
    "Saturn": "saturn barycenter",
    "Sun": "sun",
    "Moon": "moon",
}


@pytest.fixture(scope="module")
def heavens():
    return load_file(str(kernel_path("de421"))), load.timescale(builtin=True)


def apart_arcsec(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)) * 3600)


def unit(ra, dec) -> np.ndarray:
    a, d = ra.radians, dec.radians
    return np.array([np.cos(d) * np.cos(a), np.cos(d) * np.sin(a), np.sin(d)])


@pytest.mark.parametrize(("utc", "latitude", "longitude"), ECLIPSES)
def test_apparent_places(heavens, utc, latitude, longitude) -> None:
    kernel, timescale = heavens
    t = timescale.from_astropy(Time(utc))
    here = (kernel["earth"] + wgs84.latlon(latitude, longitude, 100.0)).at(t)
    ours = solar_system(Time(utc), Site(latitude, longitude, 100.0), pressure_hpa=0.0)
    for k, name in enumerate(ours.name):
        theirs = here.observe(kernel[TARGET[name]]).apparent()
        ra, dec, _ = theirs.radec("date")
        # The user's bound is 5 arcsec; Skyfield bends light at the Sun, we do not.
        near = apart_arcsec(ours.equatorial[0, k], ours.equatorial[0, 0]) / 3600 < 1.0
        assert apart_arcsec(ours.equatorial[0, k], unit(ra, dec)) < (2.5 if near else 1.0), name
        altitude, azimuth, _ = theirs.altaz()
        turn = np.cos(altitude.radians) * (azimuth.degrees - ours.azimuth[0, k])
        # UT1 of Skyfield's own table differs by up to a second.
        assert abs(altitude.degrees - ours.altitude[0, k]) < 0.005, name
        assert abs((turn + 180) % 360 - 180) < 0.005, name


def test_stars(heavens) -> None:
    """Sirius, Regulus and Arcturus (which moves by 2.3 arcsec a year) by their catalogue values."""
    kernel, timescale = heavens
    utc, site = "2026-08-12T17:46:00", Site(65.2, -25.2, 0.0)
    here = (kernel["earth"] + wgs84.latlon(65.2, -25.2)).at(timescale.from_astropy(Time(utc)))
    ours = bright_stars(Time(utc), site, faintest=2.0)
    # ICRS at J2000 with proper motions in mas a year, SIMBAD's values, from memory.
    known = {
        "Sirius": ((6, 45, 8.917), (-16, 42, 58.02), -546.0, -1223.1),
        "Regulus": ((10, 8, 22.311), (11, 58, 1.95), -248.7, 5.6),
        "Arcturus": ((14, 15, 39.672), (19, 10, 56.67), -1093.4, -2000.1),
    }
    for name, (ra, dec, pm_ra, pm_dec) in known.items():
        star = Star(
            ra_hours=ra, dec_degrees=dec, ra_mas_per_year=pm_ra, dec_mas_per_year=pm_dec,
        )  # fmt: skip
        there = unit(*here.observe(star).apparent().radec("date")[:2])
        got = ours.equatorial[0, ours.name.index(name)]
        assert apart_arcsec(got, there) < 0.5, name


@pytest.mark.parametrize(("utc", "latitude", "longitude"), ECLIPSES)
def test_magnitudes(heavens, utc, latitude, longitude) -> None:
    """Skyfield codes the same paper on its own, and takes the barycentre for the Sun."""
    kernel, timescale = heavens
    here = kernel["earth"].at(timescale.from_astropy(Time(utc)))
    ours = solar_system(Time(utc), Site(latitude, longitude, 0.0))
    for name in PLANETS:
        seen = here.observe(kernel[TARGET[name]])
        theirs = float(planetary_magnitude(seen))
        from_there = seen.xyz.au[None]
        from_sun = seen.center_barycentric.xyz.au[None] + from_there
        assert planet_magnitude(name, from_sun, from_there)[0] == pytest.approx(theirs, abs=1e-3)
        # The Sun is up to 0.01 au from the barycentre: 1.5 degrees of Mercury's phase.
        assert ours.magnitude[0, ours.name.index(name)] == pytest.approx(theirs, abs=0.15), name
