"""A site against GPS tags, by the ellipsoid's radii of curvature."""

import numpy as np
import pytest

from limbward.sky.ephemeris import Site
from limbward.sky.gps_place import gps_place

A, E2 = 6378.137, 0.00669437999014  # WGS 84 (NIMA TR8350.2): km, and first eccentricity squared
SITE = Site(65.0, -179.98, 40.0)


def radii(latitude: float) -> tuple[float, float]:
    """Return the radii of curvature in the meridian and in the prime vertical, km."""
    root = np.sqrt(1.0 - E2 * np.sin(np.radians(latitude)) ** 2)
    return A * (1.0 - E2) / root**3, A / root


@pytest.mark.parametrize(
    ("north_deg", "east_deg", "way"),
    [(0.1, 0.0, "north"), (0.0, -0.1, "west"), (-0.05, 0.11, "southeast")],
)
def test_how_far_and_which_way(north_deg, east_deg, way):
    meridian, vertical = radii(SITE.latitude)
    north = np.radians(north_deg) * meridian
    east = np.radians(east_deg) * vertical * np.cos(np.radians(SITE.latitude + north_deg))
    n = np.full(5, SITE.latitude + north_deg)
    e = np.full(5, (SITE.longitude + east_deg + 180.0) % 360.0 - 180.0)
    found = gps_place(SITE, n, e)
    # A plane bends away from the ellipsoid by the square of the distance: 10 m in 11 km.
    assert found.north_km == pytest.approx(north, abs=0.02)
    assert found.east_km == pytest.approx(east, abs=0.02)
    assert found.contradicts
    assert f"{np.hypot(north, east):.1f} km {way} of the site" in found.warning()


def test_old_fixes_and_missing_tags_do_not_move_it():
    latitude = np.array([64.999, 65.001, np.nan, 65.0, 65.0, 10.0])
    longitude = np.array([-179.98, -179.98, np.nan, -179.98, -179.98, 50.0])
    found = gps_place(SITE, latitude, longitude)
    assert found.frames == 5
    assert found.distance_km < 0.12
    assert not found.contradicts


def test_no_tags_are_no_place():
    assert gps_place(SITE, np.full(3, np.nan), np.full(3, np.nan)) is None
