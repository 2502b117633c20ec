"""The Moon's libration and the position angle of its axis by J. Meeus' series.

*Astronomical Algorithms* (2nd ed., 1998), chapter 53, with the arguments of chapter 47. It knows
nothing of numerically integrated Euler angles; the physical libration is D. H. Eckhardt's (1981).
Its terms in sin F and cos F hold the constant 81 arcsec between the principal axis, whose pole it
gives, and the mean pole of maps, so they are left out for the latter.

`iau_libration` is the mean-Earth frame by the IAU's model of the Moon's rotation: B. A. Archinal et
al., Celest. Mech. Dyn. Astr. 109 (2011) 101, table 2. It is good to 0.005 degrees.
"""

from __future__ import annotations

import astropy.units as u
import erfa
import numpy as np
from astropy.coordinates import GeocentricTrueEcliptic, get_body
from astropy.time import Time

INCLINATION = 1.54242  # of the mean lunar equator to the ecliptic, degrees


def libration(
    time: Time, *, mean_pole: bool = False, physical: bool = True
) -> tuple[float, float, float]:
    """Return l, b and P from the Earth's centre, degrees; optical alone if not ``physical``."""
    place = get_body("moon", time, ephemeris="builtin").transform_to(
        GeocentricTrueEcliptic(equinox=time)
    )
    longitude, latitude = place.lon.to_value(u.rad), place.lat.to_value(u.rad)
    nutation, obliquity_change = erfa.nut06a(time.tt.jd1, time.tt.jd2)
    obliquity = erfa.obl06(time.tt.jd1, time.tt.jd2) + obliquity_change
    t = float(time.tt.jyear - 2000.0) / 100.0

    def argument(a: float, b: float, c: float) -> float:
        return float(np.radians((a + b * t + c * t * t) % 360.0))

    d = argument(297.8501921, 445267.1114034, -0.0018819)
    m = argument(357.5291092, 35999.0502909, -0.0001536)
    mm = argument(134.9633964, 477198.8675055, 0.0087414)
    f = argument(93.2720950, 483202.0175233, -0.0036539)
    node = argument(125.0445479, -1934.1362891, 0.0020754)
    rho, sigma, tau = _physical(t, d, m, mm, f, node) if physical else (0.0, 0.0, 0.0)
    if mean_pole:
        rho, sigma = rho + 0.02245 * np.sin(f), sigma - 0.02244 * np.cos(f)
    i = np.radians(INCLINATION)
    w = longitude - nutation - node
    a = np.arctan2(
        np.sin(w) * np.cos(latitude) * np.cos(i) - np.sin(latitude) * np.sin(i),
        np.cos(w) * np.cos(latitude),
    )
    b = np.arcsin(-np.sin(w) * np.cos(latitude) * np.sin(i) - np.sin(latitude) * np.cos(i))
    optical = (np.degrees(a - f) + 180.0) % 360.0 - 180.0
    total_l = optical - tau + (rho * np.cos(a) + sigma * np.sin(a)) * np.tan(b)
    total_b = np.degrees(b) + sigma * np.cos(a) - rho * np.sin(a)

    v = node + nutation + np.radians(sigma) / np.sin(i)
    tilt = i + np.radians(rho)
    x = np.sin(tilt) * np.sin(v)
    y = np.sin(tilt) * np.cos(v) * np.cos(obliquity) - np.cos(tilt) * np.sin(obliquity)
    right_ascension = np.arctan2(
        np.sin(longitude) * np.cos(obliquity) - np.tan(latitude) * np.sin(obliquity),
        np.cos(longitude),
    )
    sine = np.hypot(x, y) * np.cos(right_ascension - np.arctan2(x, y))
    return total_l, total_b, float(np.degrees(np.arcsin(sine / np.cos(np.radians(total_b)))))


def _physical(
    t: float, d: float, m: float, mm: float, f: float, node: float
) -> tuple[float, float, float]:
    """Return rho, sigma and tau, degrees."""
    sin, cos = np.sin, np.cos
    k1, k2 = np.radians(119.75 + 131.849 * t), np.radians(72.56 + 20.186 * t)
    e = 1.0 - 0.002516 * t - 0.0000074 * t * t
    rho = (
        -0.02752 * cos(mm) - 0.02245 * sin(f) + 0.00684 * cos(mm - 2 * f)
        - 0.00293 * cos(2 * f) - 0.00085 * cos(2 * f - 2 * d) - 0.00054 * cos(mm - 2 * d)
        - 0.00020 * sin(mm + f) - 0.00020 * cos(mm + 2 * f) - 0.00020 * cos(mm - f)
        + 0.00014 * cos(mm + 2 * f - 2 * d)
    )  # fmt: skip
    sigma = (
        -0.02816 * sin(mm) + 0.02244 * cos(f) - 0.00682 * sin(mm - 2 * f)
        - 0.00279 * sin(2 * f) - 0.00083 * sin(2 * f - 2 * d) + 0.00069 * sin(mm - 2 * d)
        + 0.00040 * cos(mm + f) - 0.00025 * sin(2 * mm) - 0.00023 * sin(mm + 2 * f)
        + 0.00020 * cos(mm - f) + 0.00019 * sin(mm - f) + 0.00013 * sin(mm + 2 * f - 2 * d)
        - 0.00010 * cos(mm - 3 * f)
    )  # fmt: skip
    tau = (
        0.02520 * e * sin(m) + 0.00473 * sin(2 * mm - 2 * f) - 0.00467 * sin(mm)
        + 0.00396 * sin(k1) + 0.00276 * sin(2 * mm - 2 * d) + 0.00196 * sin(node)
        - 0.00183 * cos(mm - f) + 0.00115 * sin(mm - 2 * d) - 0.00096 * sin(mm - d)
        + 0.00046 * sin(2 * f - 2 * d) - 0.00039 * sin(mm - f) - 0.00032 * sin(mm - m - d)
        + 0.00027 * sin(2 * mm - m - 2 * d) + 0.00023 * sin(k2) - 0.00014 * sin(2 * d)
        + 0.00014 * cos(2 * mm - 2 * f) - 0.00012 * sin(mm - 2 * f) - 0.00012 * sin(2 * mm)
        + 0.00011 * sin(2 * mm - 2 * m - 2 * d)
    )  # fmt: skip
    return float(rho), float(sigma), float(tau)


E_DEGREES = np.array([
    [125.045, -0.0529921], [250.089, -0.1059842], [260.008, 13.0120009], [176.625, 13.3407154],
    [357.529, 0.9856003], [311.589, 26.4057084], [134.963, 13.0649930], [276.617, 0.3287146],
    [34.226, 1.7484877], [15.134, -0.1589763], [119.743, 0.0036096], [239.961, 0.1643573],
    [25.053, 12.9590088],
])  # fmt: skip
ALPHA = [-3.8787, -0.1204, 0.0700, -0.0172, 0, 0.0072, 0, 0, 0, -0.0052, 0, 0, 0.0043]
DELTA = [1.5419, 0.0239, -0.0278, 0.0068, 0, -0.0029, 0.0009, 0, 0, 0.0008, 0, 0, -0.0009]
SPIN = [3.5610, 0.1208, -0.0642, 0.0158, 0.0252, -0.0066, -0.0047, -0.0046, 0.0028, 0.0052, 0.0040,
        0.0019, -0.0044]  # fmt: skip


def iau_libration(time: Time, moon_icrf: np.ndarray) -> tuple[float, float]:
    """Return the selenographic longitude and latitude below an observer, degrees.

    ``moon_icrf`` (3,) points from the observer to the Moon.
    """
    d = float((time.tdb.jd1 - 2451545.0) + time.tdb.jd2)
    t = d / 36525.0
    e = np.radians(E_DEGREES @ [1.0, d])
    alpha = np.radians(269.9949 + 0.0031 * t + ALPHA @ np.sin(e))
    delta = np.radians(66.5392 + 0.0130 * t + DELTA @ np.cos(e))
    w = np.radians(38.3213 + 13.17635815 * d - 1.4e-12 * d * d + SPIN @ np.sin(e))
    pole = np.array([np.cos(delta) * np.cos(alpha), np.cos(delta) * np.sin(alpha), np.sin(delta)])
    node = np.array([-np.sin(alpha), np.cos(alpha), 0.0])
    third = np.cross(pole, node)
    towards = -moon_icrf / np.linalg.norm(moon_icrf)
    from_node = np.arctan2(towards @ third, towards @ node)
    longitude = (np.degrees(from_node - w) + 180.0) % 360.0 - 180.0
    return longitude, float(np.degrees(np.arcsin(towards @ pole)))
