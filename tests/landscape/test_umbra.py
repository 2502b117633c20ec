"""The shadow's edge against a search for the places in the air that see the last of the Sun."""

from __future__ import annotations

import erfa
import numpy as np
import pytest
from astropy.time import Time, TimeDelta
from scipy.optimize import brentq

from limbward.sky.ephemeris import Site
from limbward.sky.umbra import umbra_edge
from tests.apart.ephemeris import Site as Apart

LATITUDE, LONGITUDE, DAY = 65.0, -24.5, "2026-08-12"
# Seconds of the day; greatest eclipse at the site is at 17:46:40.
INSTANTS = [17 * 3600 + 44 * 60 + 30, 17 * 3600 + 46 * 60 + 40, 17 * 3600 + 49 * 60]


def in_the_air(altitude: float, azimuth: float, height_km: float) -> tuple[float, float]:
    """Latitude and longitude where a line of sight reaches a height above the ellipsoid."""
    lat, lon = np.radians([LATITUDE, LONGITUDE])
    e, a = np.radians([altitude, azimuth])
    east = np.array([-np.sin(lon), np.cos(lon), 0])
    up = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
    ray = np.cos(e) * (np.sin(a) * east + np.cos(a) * np.cross(up, east)) + np.sin(e) * up
    here = erfa.gd2gc(1, lon, lat, 0.0)

    def height(metres: float) -> float:
        return float(erfa.gc2gd(1, here + metres * ray)[2]) - 1000 * height_km

    there = erfa.gc2gd(1, here + brentq(height, 0.0, 2e6) * ray)
    return float(np.degrees(there[1])), float(np.degrees(there[0]))


def depth(altitude: float, azimuth: float, height_km: float, second: float) -> float:
    """Arcseconds by which the Moon covers the Sun all over, seen from the air in that direction."""
    where = Apart(*in_the_air(altitude, azimuth, height_km), 1000 * height_km, DAY)
    apart, sun, moon = (float(v[0]) for v in where.gap(second))
    return moon - sun - apart


@pytest.mark.parametrize("second", INSTANTS)
@pytest.mark.parametrize("height_km", [8.0, 20.0])
def test_edge_against_a_direct_search(second: float, height_km: float) -> None:
    time = Time(f"{DAY}T00:00:00") + TimeDelta(second, format="sec")
    site = Site(LATITUDE, LONGITUDE, 0.0)
    edge = umbra_edge(time, site, height_km=height_km, points=720)
    altitude, azimuth = edge.altitude[0], edge.azimuth[0]
    up = altitude > 3.0  # lower down the line of sight leaves the shell hundreds of km away
    assert up.sum() > 20
    chosen = np.flatnonzero(up)[:: max(1, up.sum() // 5)]
    for k in chosen:
        # Along the vertical, or along the horizontal where the edge stands upright.
        level = np.cos(np.radians(altitude[k]))
        rise = altitude[(k + 1) % 720] - altitude[k - 1]
        aside = (azimuth[(k + 1) % 720] - azimuth[k - 1] + 180) % 360 - 180
        upright = abs(rise) > abs(aside) * level
        step = np.array([0.0, 1.0 / level] if upright else [1.0, 0.0])

        def along(t: float, k=k, step=step) -> float:
            return depth(altitude[k] + t * step[0], azimuth[k] + t * step[1], height_km, second)

        # 0.3 degrees are asked for. At 5 degrees of altitude 0.1 are 2 km along the shell.
        assert along(-0.1) * along(0.1) < 0, (altitude[k], azimuth[k])


def test_whether_the_shadow_is_overhead() -> None:
    site = Site(LATITUDE, LONGITUDE, 0.0)
    times = Time(f"{DAY}T00:00:00") + TimeDelta(
        np.arange(-180.0, 181.0, 20.0) + INSTANTS[1], format="sec"
    )
    told = umbra_edge(times, site, height_km=10.0).covers_site
    truth = [
        depth(90.0, 0.0, 10.0, float(s)) > 0 for s in np.arange(-180.0, 181.0, 20.0) + INSTANTS[1]
    ]
    assert told.tolist() == truth
    assert any(truth)
    assert not all(truth)
