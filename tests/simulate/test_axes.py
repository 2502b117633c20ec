import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from limbward.simulate.axes import celestial_axes, level_error, polar_error
from limbward.simulate.mount import Mount, knocks, pointing
from limbward.sky.ephemeris import Site, view

SITE = Site(65.0, -23.4, 40.0)
GREATEST = Time(["2026-08-12T17:46:50"])
HOURS = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
SECONDS = HOURS * 3600.0


def skies():
    times = GREATEST[0] + TimeDelta(SECONDS, format="sec")
    return view(times, SITE), view(GREATEST, SITE)


def test_celestial_axes_meet_at_the_pole():
    sky, _ = skies()
    sun, east, north = celestial_axes(sky)
    dec = np.radians(sky.sun_dec)[:, None]
    # The pole stands in the north, as high as the latitude.
    pole = np.array([0.0, np.cos(np.radians(65.0)), np.sin(np.radians(65.0))])
    assert np.sin(dec) * sun + np.cos(dec) * north == pytest.approx(np.tile(pole, (5, 1)), abs=1e-4)
    # In the west of south in the afternoon, what moves west goes down and north.
    assert (-east)[:, 2].max() < 0.0


def test_a_polar_axis_that_misses_drifts_and_turns_by_the_textbook():
    """Rates at greatest eclipse: the mount turns by w about p' = p + e instead of p, so that the
    camera runs off with w e x s, and the field turns by w e . s."""
    _, greatest = skies()
    sun, east, north = (v[0] for v in celestial_axes(greatest))
    arcmin = np.array([30.0, -50.0])
    latitude = np.radians(65.0)
    raised = np.array([0.0, -np.sin(latitude), np.cos(latitude)])
    error = np.radians(arcmin / 60.0) @ np.array([raised, [1.0, 0.0, 0.0]])
    # p' is as long as p: turned about p itself, the mount is slower by half of e squared.
    pole = np.array([0.0, np.cos(latitude), np.sin(latitude)])
    error = (pole + error) / np.linalg.norm(pole + error) - pole
    w = -np.radians(15.0) / 3600.0  # the sky turns left-handed about the north pole
    runs = w * np.cross(error, sun)  # of the camera; the Sun goes the other way
    step = np.array([-30.0, 30.0])
    e, n, turned = polar_error((30.0, -50.0), step, greatest)
    arcsec = np.degrees(1.0) * 3600.0
    assert np.diff(e)[0] / 60.0 == pytest.approx(-(runs @ east) * arcsec, rel=1e-3)
    assert np.diff(n)[0] / 60.0 == pytest.approx(-(runs @ north) * arcsec, rel=1e-3)
    # Seen from inside, a right-handed turn about the line of sight carries what is up to the
    # right, where position angles are smaller.
    assert np.radians(np.diff(turned)[0] / 60.0) == pytest.approx(-w * (error @ sun), rel=0.01)


def test_a_perfect_axis_does_nothing():
    sky, greatest = skies()
    for parts in (polar_error((0.0, 0.0), SECONDS, greatest), level_error((0, 0), sky, greatest)):
        for values in parts:
            assert values == pytest.approx(0.0, abs=1e-3)


def test_an_axis_far_off_swings_the_sun_by_no_more_than_it_misses():
    _, greatest = skies()
    hours = np.linspace(0.0, 24.0, 97)
    e, n, _ = polar_error((60.0, 0.0), hours * 3600.0, greatest)
    assert np.hypot(e, n).max() < 2.0 * 3600.0
    assert np.hypot(e, n).max() > 0.8 * 3600.0
    assert (e[-1], n[-1]) == pytest.approx((0.0, 0.0), abs=0.5)  # a day later it is back


@pytest.mark.parametrize("lean", [(2.0, 0.0), (0.0, 2.0), (-1.4, 1.4)])
def test_a_leaning_head_turns_the_field_as_the_leaning_vertical_does(lean):
    """The picture's up is where the head's axis points; its place is worked out from the sky's."""
    sky, greatest = skies()
    e, n, turned = level_error(lean, sky, greatest)
    azimuth = np.radians(greatest.sun_azimuth[0])
    tilt = np.tan(np.radians(lean))
    axis = np.array([
        tilt[0] * np.sin(azimuth) + tilt[1] * np.cos(azimuth),
        tilt[0] * np.cos(azimuth) - tilt[1] * np.sin(azimuth),
        1.0,
    ])  # fmt: skip
    axis /= np.linalg.norm(axis)
    # Angle between zenith and axis where the camera points, by spherical trigonometry: the axis is
    # a point of the sphere with its own azimuth and altitude.
    a, h = np.arctan2(axis[0], axis[1]), np.arcsin(axis[2])
    sun, east, north = celestial_axes(sky)
    aim = sun - np.radians((e[:, None] * east + n[:, None] * north) / 3600.0)
    azimuth_aim, hs = np.arctan2(aim[:, 0], aim[:, 1]), np.arcsin(aim[:, 2])
    da = a - azimuth_aim
    right = np.cos(h) * np.sin(da)
    up = np.sin(h) * np.cos(hs) - np.cos(h) * np.sin(hs) * np.cos(da)
    left = -np.degrees(np.arctan2(right, up))
    # From where the camera points to the Sun the zenith's direction turns, verticals converge.
    apart = sky.sun_azimuth - np.degrees(azimuth_aim) % 360.0
    left -= apart * np.sin(hs)
    assert turned == pytest.approx(left - left[2], abs=0.01)
    assert np.ptp(turned) > 0.05


def test_a_leaning_head_runs_off_at_the_textbook_s_rate():
    """Turning by the azimuth's change about an axis that leans by e: off by that change of e."""
    sky, greatest = skies()
    e, n, _ = level_error((0.0, 2.0), sky, greatest)
    assert (e[2], n[2]) == pytest.approx((0.0, 0.0), abs=1e-3)
    for i in (1, 3):
        turned = np.radians(sky.sun_azimuth[i] - greatest.sun_azimuth[0])
        sideways = np.radians(2.0) * np.hypot(
            turned, np.radians(sky.sun_altitude[i] - greatest.sun_altitude[0])
        )
        assert np.hypot(e, n)[i] < 1.2 * np.degrees(sideways) * 3600.0
        assert np.hypot(e, n)[i] > 0.3 * np.degrees(sideways) * 3600.0


def aim(mount, seconds=SECONDS, scale=6.0):
    times = GREATEST[0] + TimeDelta(seconds, format="sec")
    sky, later = view(times, SITE), view(times + TimeDelta(1.0, format="sec"), SITE)
    return pointing(
        mount, sky, later, seconds, view(GREATEST, SITE), shape=(1000, 1500), scale_arcsec=scale,
        rng=np.random.default_rng(1),
    )  # fmt: skip


def test_pointing_puts_wrong_axes_on_the_sensor():
    p = aim(Mount(polar_error_arcmin=(30.0, -50.0)))
    _, greatest = skies()
    e, n, turned = polar_error((30.0, -50.0), SECONDS, greatest)
    assert p.up_position_angle == pytest.approx(turned)
    assert np.hypot(p.sun_x - 749.5, p.sun_y - 499.5) * 6.0 == pytest.approx(np.hypot(e, n))
    # The trail of an exposure goes where the drift goes.
    near = aim(Mount(polar_error_arcmin=(30.0, -50.0)), np.array([-10.0, 0.0, 10.0]))
    assert np.gradient(near.sun_x, 10.0)[1] == pytest.approx(near.trail_x_per_s[1], rel=0.01)
    assert np.gradient(near.sun_y, 10.0)[1] == pytest.approx(near.trail_y_per_s[1], rel=0.01)


def test_recentring_brings_the_sun_back_and_it_drifts_on():
    drifting = Mount(drift_arcsec_per_min=(6.0, 0.0), recentring_arcsec=0.0)
    free = aim(drifting)
    back = aim(Mount(**{**drifting.__dict__, "recentred_s": (-900.0,)}))
    assert back.sun_x[:2] == pytest.approx(free.sun_x[:2])
    assert back.sun_x[2] == pytest.approx(749.5)
    assert np.diff(back.sun_x)[2:] == pytest.approx(np.diff(free.sun_x)[2:])
    missed = aim(Mount(recentred_s=(-900.0,), recentring_arcsec=60.0))
    assert 0.0 < abs(missed.sun_x[2] - 749.5) < 40.0


def test_knocks_trail_by_the_swing_that_the_shutter_sees():
    mount = Mount(knocked=0.25, knock_arcsec=12.0, knock_hz=10.0)
    rng = np.random.default_rng(3)
    for exposure, arcsec in ((1 / 1000, 24.0 * np.sin(np.pi * 0.01)), (0.2, 24.0)):
        run = np.hypot(*knocks(mount, np.full(4000, exposure), 4.0, rng).T)
        assert (run > 0).mean() == pytest.approx(0.25, abs=0.03)
        assert run[run > 0] == pytest.approx(arcsec / 4.0)
