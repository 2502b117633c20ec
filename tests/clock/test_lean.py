"""Heads that are not level, on crescents whose field turns about the zenith of another place."""

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from limbward.clock.crescent_fit import fit_crescents
from limbward.clock.evidence import Crescents
from limbward.clock.lean import lean_of
from limbward.geometry.orientation import Orientation
from limbward.sky.air import Air
from limbward.sky.aside import turned_aside
from limbward.sky.doubt import doubted_track
from limbward.sky.ephemeris import Site, view
from limbward.sky.track import sky_track

EPOCH, SITE = Time("2024-04-08T18:17:30"), Site(25.3, -104.1, 1200.0)  # the Sun at 70 degrees
HIGH_EPOCH, HIGH = Time("2027-08-02T10:05:00"), Site(25.5, 32.6, 80.0)  # at 82 degrees
SCALE, UP, RADIUS = 6.0, 130.0, 158.0


def another_zenith(epoch, site, north, east, t):
    """Return the position angle of a zenith that leans: of a place so far away on the sphere."""
    lean, azimuth = np.radians(np.hypot(north, east)), np.arctan2(east, north)
    latitude = np.radians(site.latitude)
    there = np.arcsin(
        np.sin(latitude) * np.cos(lean) + np.cos(latitude) * np.sin(lean) * np.cos(azimuth)
    )
    further = np.arctan2(
        np.sin(azimuth) * np.sin(lean) * np.cos(latitude),
        np.cos(lean) - np.sin(latitude) * np.sin(there),
    )
    place = Site(float(np.degrees(there)), float(site.longitude + np.degrees(further)), site.height)
    sky = view(epoch + TimeDelta(t, format="sec"), place)
    return np.degrees(np.unwrap(np.radians(sky.parallactic_angle)))


@pytest.mark.parametrize(("epoch", "site"), [(EPOCH, SITE), (HIGH_EPOCH, HIGH)])
@pytest.mark.parametrize("lean", [(1.5, 0.0), (0.0, -2.0), (-1.0, 1.2)])
def test_the_field_turns_with_the_zenith_of_another_place(epoch, site, lean):
    t = np.arange(-9000.0, 9001.0, 300.0)
    found = sky_track(epoch, site).leaning(*lean).parallactic_angle(t)
    off = (found - another_zenith(epoch, site, *lean, t) + 180.0) % 360.0 - 180.0
    # Geodetic latitude and the Sun's parallax: a few arcseconds, some times larger near the zenith.
    assert np.abs(off).max() < 0.02


def session(lean, *, moved_km=0.0, rotates=True, seed=1):
    """Return crescents every six minutes by the tables of a place that may lie elsewhere."""
    rng = np.random.default_rng(seed)
    there = Site(SITE.latitude, SITE.longitude + moved_km / 100.6, SITE.height)
    t = np.concatenate([np.arange(-3300.0, -200.0, 330.0), np.arange(260.0, 3000.0, 330.0)])
    sky = view(EPOCH + TimeDelta(t, format="sec"), there)
    at_epoch = another_zenith(EPOCH, SITE, *lean, np.zeros(1))
    turn = another_zenith(EPOCH, SITE, *lean, t) - at_epoch if rotates else np.zeros(t.size)
    u = np.radians(UP + turn)
    east, north = sky.moon_east_arcsec / SCALE, sky.moon_north_arcsec / SCALE
    noise = rng.normal(0.0, 0.04, (2, t.size))
    return Crescents(
        reading_s=np.floor(t + 17.0),
        resolution_s=np.ones(t.size),
        exposure_s=np.zeros(t.size),
        dx=-(east * np.cos(u) - north * np.sin(u)) + noise[0],
        dy=-(east * np.sin(u) + north * np.cos(u)) + noise[1],
        sigma_px=np.full(t.size, 0.04),
        sun_radius_px=sky.sun_radius_arcsec / SCALE,
        sun_radius_sigma_px=np.full(t.size, 0.03),
        order=np.arange(t.size, dtype=float),
    )


@pytest.fixture(scope="module")
def track():
    return sky_track(EPOCH, SITE, pressure_hpa=0.0)


@pytest.fixture(scope="module")
def doubt(track):
    return doubted_track(track, SITE, Air(0.0, 10.0))


@pytest.mark.parametrize("lean", [(2.0, 0.0), (-1.0, -1.5)])
@pytest.mark.parametrize("rotates", [None, True])
def test_a_head_that_leans_is_found_and_the_clock_is_right(track, doubt, lean, rotates):
    crescents = session(lean)
    found = lean_of(track, crescents, doubt, rotates)
    # How its field turns at the time is what counts, not each part of the lean.
    t = np.linspace(-3300.0, 3000.0, 20)
    off = track.leaning(*found).turned(t) - track.leaning(*lean).turned(t)
    assert np.abs(off).max() < 0.1
    fit = fit_crescents(track.leaning(*found), crescents, None, rotates, doubt=doubt)[0]
    assert fit.rotates
    assert fit.used.all()
    assert abs(fit.offset_s - 17.0) < 3.0 * fit.offset_sigma_s
    assert fit.offset_sigma_s < 2.0


@pytest.mark.parametrize(
    "crescents",
    [session((0.0, 0.0)), session((0.0, 0.0), rotates=False), session((0.0, 0.0), moved_km=40.0)],
    ids=["level", "equatorial", "site 40 km off"],
)
def test_a_level_head_is_level(track, doubt, crescents):
    assert lean_of(track, crescents, doubt, None) == (0.0, 0.0)


def test_what_is_said_to_follow_the_sky_is_not_asked(track, doubt):
    assert lean_of(track, session((2.0, 0.0)), doubt, False) == (0.0, 0.0)


def direction(azimuth, altitude):
    a, h = np.radians(azimuth), np.radians(altitude)
    return np.array([np.cos(h) * np.sin(a), np.cos(h) * np.cos(a), np.sin(h)])  # east, north, up


@pytest.mark.parametrize("roll", [0.0, 70.0])
@pytest.mark.parametrize("aside", [(1.5, 0.0), (-2.0, 0.8), (0.0, -1.5)])
def test_a_sun_beside_the_middle_shows_the_picture_turned(track, roll, aside):
    """A level camera in three dimensions: its up, and north, seen from where the Sun stands."""
    sky = view(EPOCH, SITE)
    azimuth, altitude = float(sky.sun_azimuth[0]), float(sky.sun_altitude[0])
    q = float(track.parallactic_angle(np.zeros(1))[0])
    sun = direction(azimuth, altitude)
    axis = direction(azimuth - aside[0] / np.cos(np.radians(altitude)), altitude - aside[1])
    right = np.cross(axis, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    r = np.radians(roll)
    upward = np.cross(right, axis)
    right, upward = (
        right * np.cos(r) + upward * np.sin(r), upward * np.cos(r) - right * np.sin(r)
    )  # fmt: skip
    pixel = np.radians(SCALE / 3600.0)
    x, y = sun @ right / (sun @ axis) / pixel, -(sun @ upward) / (sun @ axis) / pixel
    pole = direction(0.0, SITE.latitude)
    north = pole - sun * (sun @ pole)
    east = np.cross(north, sun)
    true = np.degrees(np.arctan2(upward @ east, upward @ north))
    upright = Orientation(SCALE, q + roll)
    found = turned_aside(upright, track, np.zeros(1), np.array([x]), np.array([y]))[0]
    off = (q + roll + found - true + 180.0) % 360.0 - 180.0
    # What is of second order: 2 degrees times 2 degrees.
    assert abs(found) < 1e-6 or abs(found) > 2.0
    assert abs(off) < 0.25
