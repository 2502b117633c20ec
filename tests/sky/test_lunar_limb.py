"""The limb by the relief, against a search in space that shares nothing with it."""

import numpy as np
import pytest
from astropy.time import Time, TimeDelta
from scipy.ndimage import map_coordinates

from limbward.errors import LimbwardError
from limbward.sky import lunar_limb as ours
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.libration import TurnedMoon, turned_moon
from tests.sky.moon_files import other_grid, whole_grid

ARCSEC = np.degrees(1.0) * 3600.0
SITE = Site(65.0, -23.4, 40.0)
MIDDLE = Time("2026-08-12T17:46:00")


def librations(count: int) -> list[TurnedMoon]:
    """Return Moons turned at random, as at solar eclipses, with the extremes first."""
    random = np.random.default_rng(20260812)
    edges = [(8.4, -1.9, 25.0), (-8.4, 1.9, -25.0)]
    drawn = random.uniform((-8.5, -2.0, -25.0), (8.5, 2.0, 25.0), (count - 2, 3))
    return [turned(*angles, random.uniform(350e3, 374e3)) for angles in (*edges, *drawn)]


def turned(longitude: float, latitude: float, axis: float, distance: float) -> TurnedMoon:
    lon, b, c = np.radians([longitude, latitude, axis])
    towards = np.array([np.cos(b) * np.cos(lon), np.cos(b) * np.sin(lon), np.sin(b)])
    # The Moon's north and, as seen from outside with north up, what is left of it: sky's east.
    up = np.array([-np.sin(b) * np.cos(lon), -np.sin(b) * np.sin(lon), np.cos(b)])
    left = np.array([np.sin(lon), -np.cos(lon), 0.0])
    # The axis is at position angle c, from north towards east.
    north, east = up * np.cos(c) - left * np.sin(c), up * np.sin(c) + left * np.cos(c)
    one = [np.array([x]) for x in (longitude, latitude, axis, distance)]
    return TurnedMoon(*one, towards[None], north[None], east[None])


def search(grid: np.ndarray, moon: TurnedMoon, angles: np.ndarray) -> np.ndarray:
    """Return the limb, arcsec from the Moon's centre, by going over the ground in small steps."""
    a_degree = grid.shape[0] / 180.0
    observer = moon.distance_km[0] * moon.towards[0]
    found = []
    tilt = np.radians(np.arange(-7.0, 7.5, 0.02))[:, None]
    for angle in np.radians(angles):
        out = np.cos(angle) * moon.north[0] + np.sin(angle) * moon.east[0]
        ground = np.cos(tilt) * out + np.sin(tilt) * moon.towards[0]
        latitude = np.degrees(np.arctan2(ground[:, 2], np.hypot(ground[:, 0], ground[:, 1])))
        longitude = np.degrees(np.arctan2(ground[:, 1], ground[:, 0])) % 360.0
        places = [(90.0 - latitude) * a_degree - 0.5, longitude * a_degree - 0.5]
        height = map_coordinates(grid, places, order=1, mode="grid-wrap")
        to_place = ground * (1737.4 + height)[:, None] - observer
        crossed = np.linalg.norm(np.cross(to_place, -observer), axis=1)
        found.append(np.arctan2(crossed, to_place @ -observer).max())
    return np.array(found) * ARCSEC


def difference(grid: np.ndarray, moon: TurnedMoon, every: int) -> np.ndarray:
    limb = ours.limb_of(moon)
    return limb.radius_arcsec[::every] - search(grid, moon, limb.position_angle[::every])


def test_the_map_is_kept_unpacked_and_a_damaged_copy_made_anew(monkeypatch, tmp_path):
    whole, places = ours._counts(), []

    def place_of(name):
        places.append(tmp_path / name)
        return places[-1]

    monkeypatch.setattr(ours, "place_of", place_of)
    for damage in (b"", b"nothing of the kind"):
        if places:
            places[-1].write_bytes(damage)
        ours._counts.cache_clear()
        np.testing.assert_array_equal(ours._counts(), whole)
        np.testing.assert_array_equal(np.load(places[-1]), whole)
    # A map that is kept is taken as it is.
    np.save(places[-1], np.zeros_like(whole))
    ours._counts.cache_clear()
    assert not ours._counts().any()
    ours._counts.cache_clear()


def test_the_packaged_relief_is_searched_as_in_space():
    grid = ours._counts() * np.float32(ours.COUNT_KM)
    found = difference(grid, turned_moon(MIDDLE, SITE), 20)
    assert np.sqrt(np.mean(found**2)) < 0.03
    assert np.abs(found).max() < 0.15


def test_the_packaged_band_gives_the_limb_of_the_whole_grid():
    found = np.array([difference(whole_grid(), moon, 20) for moon in librations(10)])
    assert np.sqrt(np.mean(found**2)) < 0.03
    assert np.abs(found).max() < 0.15


def test_another_grid_gives_the_same_limb():
    found = np.array([difference(other_grid(), moon, 20) for moon in librations(4)])
    assert np.sqrt(np.mean(found**2)) < 0.1


def test_what_is_packed_is_as_in_the_source():
    """To the last half metre."""
    counts = np.round(whole_grid() / ours.COUNT_KM).astype(np.int16)
    packed = ours._counts()
    kept = packed != 0
    assert np.array_equal(packed[kept], counts[kept])
    assert 0.3 < kept.mean() < 0.35


def test_a_mountain_behind_the_limb_stands_out(monkeypatch):
    """8 km, 3 degrees behind the limb of a sphere: (R + h) cos 3 - R is 5.6 km above it."""
    moon = turned(0.0, 0.0, 0.0, 365e3)
    counts = np.zeros((ours.ROWS, ours.COLUMNS), np.int16)
    horizon = 90.0 - np.degrees(np.arcsin(1737.4 / 365e3))
    # Seen with north up, the Moon's eastern edge is right: position angle 270.
    column = round((horizon + 3.0) * 16 - 0.5)
    counts[1430:1450, column - 2 : column + 3] = 16000
    monkeypatch.setattr(ours, "_counts", lambda: counts)
    limb = ours.limb_of(moon)
    k = int(np.argmax(limb.radius_arcsec))
    assert limb.position_angle[k] == pytest.approx(270.0, abs=0.7)
    assert limb.longitude[k] == pytest.approx(horizon + 3.0, abs=0.2)
    rim = 365e3 * np.sin(limb.radius_arcsec / ARCSEC) - 1737.4
    assert rim[k] == pytest.approx(1745.4 * np.cos(np.radians(3.0)) - 1737.4, abs=0.6)
    assert rim[900] == pytest.approx(0.0, abs=0.001)


def test_heights_are_from_the_mean_limb_of_the_radius_in_use():
    """The mean limb, k = 0.2725076 (IAU 1982), is 1738.09 km; charts' means agree with it."""
    limb = ours.limb_of(turned_moon(MIDDLE, SITE))
    height = limb.profile().height_arcsec
    assert abs(height.mean()) * limb.distance_km / ARCSEC < 0.3
    smaller = Radii(k_penumbra=0.272281)
    arcsec = limb.profile(smaller).height_arcsec - height
    assert arcsec == pytest.approx(1.445 / limb.distance_km * ARCSEC, rel=0.001)


def test_it_hardly_changes_in_four_minutes():
    before, after = (
        ours.limb_of(turned_moon(MIDDLE + TimeDelta(seconds, format="sec"), SITE)).profile()
        for seconds in (-120.0, 120.0)
    )
    assert 0.0 < np.std(after.height_arcsec - before.height_arcsec) < 0.025  # 0.06 s


def test_only_what_is_seen_at_solar_eclipses_is_there():
    with pytest.raises(LimbwardError, match="solar eclipses only"):
        ours.limb_of(turned(0.0, 6.0, 0.0, 380e3))
