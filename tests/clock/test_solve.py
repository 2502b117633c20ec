"""Clocks solved from generated limb measurements with known truth."""

from dataclasses import replace

import numpy as np
import pytest
from astropy.time import TimeDelta
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from limbward.clock.crescent_result import Place
from limbward.clock.entries import wrong_zone
from limbward.clock.evidence import Crescents, Direct, TotalityEvidence
from limbward.clock.solution import split_zone
from limbward.clock.solve import place_words, solve_clock
from limbward.geometry.orientation import Orientation
from limbward.sky.air import Air
from limbward.sky.contacts import local_circumstances
from limbward.sky.doubt import doubted_track, moved_site
from limbward.sky.ephemeris import Site, view
from limbward.sky.refraction import apparent_moon_offset
from limbward.sky.track import sky_track

SITE = Site(65.0, -23.4, 40.0)


@pytest.fixture(scope="module")
def track():
    greatest = local_circumstances("2026-08-12", SITE).contacts["greatest"].time
    return sky_track(greatest, SITE)


def polar_axis_turn(t, off_deg, towards_deg, declination_deg=14.8):
    """Return how far the field of an equatorial mount has turned at times ``t``, degrees.

    Its axis is ``off_deg`` from the pole, ``towards_deg`` of hour angle from the Sun at 0 s. Two
    turns about that axis and the pole's carry the field, without small angles taken for sines.
    """
    lean = Rotation.from_euler("ZY", [towards_deg, off_deg], degrees=True)
    axis = lean.apply([0.0, 0.0, 1.0])
    d = np.radians(declination_deg)
    sun, north = np.array([np.cos(d), 0, np.sin(d)]), np.array([-np.sin(d), 0, np.cos(d)])
    turned = []
    for hours in np.asarray(t) / 3600.0:
        angle = 2 * np.pi * hours / 23.9345
        sky = Rotation.from_rotvec([0, 0, -angle])
        up = Rotation.from_rotvec(-angle * axis).apply(north)
        east = np.cross(sky.apply(north), sky.apply(sun))
        turned.append(np.degrees(np.arctan2(up @ east, up @ sky.apply(north))))
    return np.array(turned)


def crescents(
    track, t, rng, *, offset, drift, orientation, sigma=0.04, step=1.0, turns=False, turn=None
):
    """Return what a camera with that clock would have measured at true times ``t``."""
    if turn is None:
        turn = track.parallactic_angle(t) - track.parallactic_angle(np.zeros(1))
        turn = turn if turns else np.zeros(t.size)
    dx, dy = np.array(
        [orientation.turned(turn[i]).to_pixels(*track.offset_arcsec(t[i])) for i in range(t.size)]
    ).T
    radius = track.sun_radius_arcsec(t) / orientation.pixel_scale_arcsec
    n = t.size
    return Crescents(
        np.floor((t + offset + drift * t / 3600) / step) * step,
        np.full(n, step),
        np.zeros(n),
        dx + rng.normal(0, sigma, n),
        dy + rng.normal(0, sigma, n),
        np.full(n, sigma),
        radius + rng.normal(0, 0.02, n),
        np.full(n, 0.02),
        np.arange(n, dtype=float),
    )


def covered(reading, before=(), after=()):
    before, after = np.array(before, float), np.array(after, float)
    return TotalityEvidence(reading, np.ones(reading.size), before, after, -59.0, 59.0)


def session(rng, n=24):
    return np.sort(np.append(rng.uniform(-3600, -90, n // 2), rng.uniform(90, 3500, n // 2)))


@pytest.mark.parametrize("mirrored", [False, True])
def test_offset_drift_scale_and_orientation(track, mirrored):
    rng = np.random.default_rng(1)
    true = Orientation(3.2, 217.0, mirrored)
    c = crescents(track, session(rng), rng, offset=3 * 3600 - 58.3, drift=2.4, orientation=true)
    found = solve_clock(track, crescents=c)
    assert found.offset_s == pytest.approx(3 * 3600 - 58.3, abs=0.3)
    assert found.drift_s_per_hour == pytest.approx(2.4, abs=0.8)
    assert found.orientation.mirrored == mirrored
    assert found.orientation.up_position_angle == pytest.approx(217.0, abs=0.03)
    assert found.orientation.pixel_scale_arcsec == pytest.approx(3.2, rel=3e-4)
    assert not found.rotates


@pytest.mark.statistical
def test_stated_errors_are_honest(track):
    """60 cards: the pulls of offset and orientation have a standard deviation near 1.

    The mounts' polar axes are off by 0.76 degrees a coordinate, of which the solution knows.
    """
    pulls = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        up, offset = rng.uniform(0, 360), rng.uniform(-1e5, 1e5)
        t, off = session(rng), rng.normal(0, 0.76, 2)
        c = crescents(
            track,
            t,
            rng,
            turn=polar_axis_turn(t, np.hypot(*off), np.degrees(np.arctan2(*off))),
            offset=offset,
            drift=rng.normal(0, 2),
            orientation=Orientation(3.2, up),
        )
        found = solve_clock(track, crescents=c)
        turned = (found.orientation.up_position_angle - up + 180) % 360 - 180
        pulls.append(
            (turned / found.up_sigma_deg, (found.offset_s - offset) / found.offset_sigma_s)
        )
    # 60 draws: a standard deviation is known to 9 %; three times that.
    assert np.std(pulls, axis=0) == pytest.approx([1.0, 1.0], abs=0.27)


@pytest.mark.parametrize("side", [-1, 1])
def test_frames_on_one_side_of_totality(track, side):
    rng = np.random.default_rng(3)
    t = np.sort(side * rng.uniform(120, 3400, 14))
    c = crescents(track, t, rng, offset=-47.2, drift=0.5, orientation=Orientation(3.2, 10.0))
    found = solve_clock(track, crescents=c)
    assert found.offset_s == pytest.approx(-47.2, abs=4 * found.offset_sigma_s)
    assert found.offset_sigma_s < 1.0


def test_a_field_that_turns_is_found(track):
    rng = np.random.default_rng(5)
    true = Orientation(3.2, 80.0)
    c = crescents(track, session(rng), rng, offset=12.0, drift=0.0, orientation=true, turns=True)
    found = solve_clock(track, crescents=c)
    assert found.rotates
    assert found.offset_s == pytest.approx(12.0, abs=0.3)
    assert found.orientation.up_position_angle == pytest.approx(80.0, abs=0.03)


@pytest.mark.parametrize("towards", [0.0, 90.0, 180.0])
def test_a_polar_axis_that_is_off_does_not_turn_north(track, towards):
    """It turns the field unevenly: the even part over 75 minutes is as large as 0.05 degrees."""
    rng = np.random.default_rng(6)
    t = np.sort(np.append(rng.uniform(-4500, -600, 20), rng.uniform(600, 4500, 20)))
    turn = polar_axis_turn(t, 1.5, towards)
    true = Orientation(3.2, 80.0)
    c = crescents(track, t, rng, offset=12.0, drift=0.5, orientation=true, sigma=0.03, turn=turn)
    found = solve_clock(track, crescents=c)
    assert found.offset_s == pytest.approx(12.0, abs=0.3)
    assert found.orientation.up_position_angle == pytest.approx(80.0, abs=3 * found.up_sigma_deg)
    assert found.up_sigma_deg < 0.02


def test_wild_frames_are_left_out(track):
    rng = np.random.default_rng(7)
    c = crescents(
        track, session(rng), rng, offset=5.0, drift=1.0, orientation=Orientation(3.2, 0.0)
    )
    c.dx[[3, 11, 17]] += 25.0
    found = solve_clock(track, crescents=c)
    assert np.flatnonzero(~found.used).tolist() == [3, 11, 17]
    # 25 px at 0.15 px/s: these frames would be minutes off, the others are not.
    assert (np.abs(found.residual_s[[3, 11, 17]]) > 10).all()
    assert np.abs(found.residual_s[found.used]).max() < 2
    assert found.offset_s == pytest.approx(5.0, abs=0.3)


def test_a_moon_that_may_be_anywhere_is_not_counted(track):
    """Of a bite too small to measure: it would agree with any clock."""
    rng = np.random.default_rng(7)
    c = crescents(
        track, session(rng), rng, offset=5.0, drift=1.0, orientation=Orientation(3.2, 0.0)
    )
    c.dx[3] += 100.0
    c.sigma_px[3] = 2e9
    found = solve_clock(track, crescents=c)
    assert np.flatnonzero(~found.used).tolist() == [3]
    assert found.residual_rms_s < 1.0


def test_gps_tags_alone(track):
    rng = np.random.default_rng(9)
    utc = np.sort(rng.uniform(-1000, 1000, 30))
    reading = np.floor(utc + 7.25 + 1.2 * utc / 3600)
    stamps = utc + rng.normal(0, 0.05, 30)
    direct = Direct(reading, np.ones(30), stamps, np.zeros(30), np.full(30, 0.1), np.arange(30.0))
    found = solve_clock(track, direct=direct)
    assert found.offset_s == pytest.approx(7.25, abs=3 * found.offset_sigma_s)
    assert found.orientation is None
    assert found.since_greatest_s(reading, 1.0) == pytest.approx(utc, abs=0.8)


def test_totality_alone_gives_an_interval_and_says_so(track):
    found = solve_clock(track, covered=covered(np.linspace(-50, 50, 12) + 100.0))
    assert found.offset_s == pytest.approx(100.0, abs=found.offset_sigma_s * 2)
    assert found.offset_sigma_s > 2
    assert "between 86 and 115 s" in found.warnings[0]
    wide = solve_clock(track, covered=covered(np.array([0.0, 500.0])))
    assert "more time than totality lasts" in wide.warnings[0]


def test_totality_alone_says_nothing_of_the_drift(track):
    """A clock that gains 20 s an hour is 40 s off two hours later: its stated error covers it."""
    t = np.linspace(-50, 50, 12)
    found = solve_clock(track, covered=covered(t + 20.0 * t / 3600.0 + 100.0))
    later = np.array([7200.0 + 40.0 + 100.0])
    assert np.abs(found.since_greatest_s(later, 1.0) - 7200.0) < 2 * found.sigma_s(later, 1.0)
    assert found.sigma_s(np.array([100.0]), 1.0) < 10.0


def test_beads_narrow_the_interval(track):
    t = np.linspace(-30, 30, 12)
    wide = solve_clock(track, covered=covered(t + 100.0))
    beads = covered(t + 100.0, before=[-60.0 + 100.0], after=[60.0 + 100.0])
    found = solve_clock(track, covered=beads)
    assert found.offset_sigma_s < wide.offset_sigma_s
    assert found.offset_s == pytest.approx(100.0, abs=2 * found.offset_sigma_s)


def test_totality_outside_totality_is_a_warning(track):
    rng = np.random.default_rng(11)
    c = crescents(
        track, session(rng), rng, offset=5.0, drift=0.0, orientation=Orientation(3.2, 0.0)
    )
    fits = solve_clock(track, crescents=c, covered=covered(np.array([-20.0, 30.0]) + 5.0))
    assert fits.sources == ("crescents", "totality")
    assert not fits.warnings
    late = solve_clock(track, crescents=c, covered=covered(np.array([-20.0, 130.0]) + 5.0))
    assert late.sources == ("crescents",)
    assert "outside it" in late.warnings[0]


def test_no_evidence_is_no_solution(track):
    assert solve_clock(track) is None


def test_the_track_follows_the_direct_computation(track):
    """Splines through values a minute apart against `view`: 1e-3 arcsec."""
    t = np.array([-3333.3, -17.7, 1234.5])
    sky = view(track.epoch + TimeDelta(t, format="sec"), SITE)
    assert track.offset_arcsec(t) == pytest.approx(apparent_moon_offset(sky), abs=1e-3)


@given(hours=st.integers(-12, 14), rest=st.floats(-590, 590))
def test_whole_zones_split_off(hours, rest):
    days, zone, left = split_zone(hours * 3600.0 + rest)
    assert (days, zone) == (0, hours)
    assert left == pytest.approx(rest, abs=1e-6)


def test_quarter_zones_and_hints():
    """Nepal is at UTC+5:45, India at +5:30 (common knowledge)."""
    assert split_zone(5.75 * 3600 + 20)[:2] == (0, 5.75)
    assert split_zone(5.5 * 3600 - 20)[:2] == (0, 5.5)
    assert split_zone(3600.0 + 700.0, hint_hours=1.0) == (0, 1.0, pytest.approx(700.0))


def test_wrong_dates_and_twelve_hours():
    assert split_zone(-86400.0 + 7200 + 30) == (-1, 2.0, pytest.approx(30))
    assert split_zone(-86400.0 + 7200 + 30, hint_hours=2.0) == (-1, 2.0, pytest.approx(30))
    # A battery ran out and the clock began in 2000.
    assert split_zone(-9720 * 86400.0 - 40) == (-9720, 0.0, pytest.approx(-40))
    assert split_zone(14 * 3600.0 - 3)[:2] == (0, 14.0)
    assert split_zone(-10 * 3600.0 - 3, hint_hours=2.0)[:2] == (0, -10.0)


@pytest.mark.parametrize(("size", "seconds"), [(11.0, 0.3), (-11.0, 0.3), (3600.0, 0.5)])
def test_a_clock_set_half_way(track, size, seconds):
    rng = np.random.default_rng(13)
    t = session(rng)
    c = crescents(track, t, rng, offset=-20.0, drift=0.6, orientation=Orientation(3.2, 123.0))
    later = np.arange(t.size) >= 13
    c.reading_s[later] += size
    found = solve_clock(track, crescents=c)
    assert (found.steps[0].after, found.steps[0].before) == (12, 13)
    assert found.steps[0].seconds == pytest.approx(size, abs=3 * found.steps[0].sigma_s)
    assert found.offset_s == pytest.approx(-20.0, abs=0.6)
    true = found.since_greatest_s(c.reading_s, c.resolution_s, c.order)
    assert true == pytest.approx(t, abs=1.0)
    assert "The clock was set" in found.warnings[0]


def test_a_small_setting_near_the_end_is_no_drift(track):
    """Coarse pixels, cautious errors, six crescents after it: it passes for 15 s of drift an hour.

    Unseen, it puts the clock 9 s off in totality, at a stated 1 s.
    """
    rng = np.random.default_rng(8)
    t = np.append(np.arange(-4400.0, -500.0, 420.0), np.arange(250.0, 4200.0, 420.0))
    late = t > 1700.0
    taken = crescents(
        track, t, rng, offset=0.0, drift=1.0, orientation=Orientation(14.0, 160.0), sigma=0.03
    )
    set_later = np.floor(taken.reading_s + 20.0 * late)
    c = replace(taken, reading_s=set_later, sigma_px=np.full(t.size, 0.20))
    found = solve_clock(track, crescents=c)
    (step,) = found.steps
    assert step.seconds == pytest.approx(20.0, abs=2.0 * step.sigma_s)
    assert step.sigma_s < 5.0
    assert found.offset_s == pytest.approx(0.0, abs=2.0 * found.offset_sigma_s)


@pytest.mark.statistical
@pytest.mark.parametrize(
    ("setting", "drift"), [(37.0, 1.0), (100.0, 2.0), (0.0, 1.0), (0.0, 20.0), (0.0, 60.0)]
)
def test_few_crescents_and_a_setting(track, setting, drift):
    """Of five coarse crescents the last two follow a setting, or the clock only drifts.

    What the setting does to the drift puts totality where its frames say that it was not. The pulls
    of ten cards: their root mean square is known to 22 %; 2 is four and a half times that from 1.
    """
    offset, pulls = 3637.6, []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        t = np.array([-3180.0, -1380.0, 270.0, 2040.0, 3840.0])
        camera = Orientation(20.0, 40.0)
        c = crescents(track, t, rng, offset=offset, drift=drift, orientation=camera, sigma=0.15)
        c = replace(c, reading_s=c.reading_s + setting * (t > 1000.0))
        dark = np.floor(np.array([-59.0, -30.0, -20.0, 0.0, 20.0, 30.0, 58.0]) + offset)
        found = solve_clock(track, crescents=c, covered=covered(dark))
        assert bool(found.steps) <= (setting > 0)
        pulls.append((found.offset_s - offset) / found.offset_sigma_s)
    assert np.sqrt(np.mean(np.square(pulls))) < 2.0


def test_the_error_covers_a_setting_that_nearly_shows(track):
    """A setting of 9 s among sixteen coarse crescents is found, or may be drift and is doubted.

    Without the doubt the pulls of these thirty cards have a root mean square of 3.7.
    """
    pulls = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        t = np.sort(np.append(rng.uniform(-3300, -90, 9), rng.uniform(90, 3300, 7)))
        at = rng.choice(t[10:14]) if seed % 2 else rng.choice(t[3:8])
        camera = Orientation(12.0, 40.0)
        c = crescents(track, t, rng, offset=37.6, drift=0.5, orientation=camera, sigma=0.1)
        c = replace(c, reading_s=c.reading_s + 9.0 * (t >= at))
        inside = 37.6 + 9.0 * (at < 0)
        dark = np.floor(np.array([-59.0, -20.0, 0.0, 20.0, 58.0]) + inside)
        found = solve_clock(track, crescents=c, covered=covered(dark))
        true = 37.6 if found.steps else inside  # of the first piece, or of all
        pulls.append((found.offset_s - true) / found.offset_sigma_s)
    assert np.sqrt(np.mean(np.square(pulls))) < 2.5


def test_a_steady_clock_has_no_step(track):
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        c = crescents(
            track, session(rng), rng, offset=1.0, drift=2.0, orientation=Orientation(3.2, 5.0)
        )
        assert not solve_clock(track, crescents=c).steps


@pytest.mark.statistical
def test_readings_at_a_steady_pace_do_not_average_their_coarseness_away(track):
    """Frames exactly 5 minutes apart: every reading is cut by nearly the same part of a second.

    Least squares that takes the cuts as independent would claim 0.3 s / sqrt(23) = 0.06 s and be
    off by up to half a second; the interval knows better.
    """
    errors, sigmas = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        t = np.append(np.arange(-3600, -90, 300.0), np.arange(300, 3500, 300.0)) + rng.uniform()
        c = crescents(
            track,
            t,
            rng,
            offset=0.0,
            drift=rng.uniform(-0.5, 0.5),
            sigma=0.005,
            orientation=Orientation(1.5, 5.0),
        )
        found = solve_clock(track, crescents=c)
        errors.append(found.offset_s)
        sigmas.append(found.offset_sigma_s)
    stated = np.sqrt(np.mean(np.square(sigmas)))
    assert stated > 0.1
    assert np.std(errors) == pytest.approx(stated, rel=0.33)  # 40 draws: three times 11 %


def test_gps_tags_join_the_crescents(track):
    rng = np.random.default_rng(15)
    t = session(rng)
    c = crescents(track, t, rng, offset=8.4, drift=1.0, orientation=Orientation(3.2, 5.0))
    stamps = np.floor(t) + 0.5
    direct = Direct(
        c.reading_s, c.resolution_s, stamps, np.ones(t.size), np.full(t.size, 0.1), c.order
    )
    alone, joined = solve_clock(track, crescents=c), solve_clock(track, crescents=c, direct=direct)
    assert joined.sources == ("crescents", "direct")
    assert joined.offset_sigma_s < alone.offset_sigma_s
    assert joined.offset_s == pytest.approx(8.4, abs=4 * joined.offset_sigma_s)


def test_mountains_on_the_limb_do_not_average_away(track):
    """All frames show the Moon off by one and the same relief: N frames tell no more than one."""
    pulls = []
    relief_arcsec = 0.06
    for seed in range(30):
        rng = np.random.default_rng(seed)
        c = crescents(
            track, session(rng), rng, offset=3.0, drift=0.5,
            orientation=Orientation(1.5, 5.0), sigma=0.005, step=0.01,
        )  # fmt: skip
        common = rng.normal(0, relief_arcsec / 1.5, 2)
        c = replace(c, dx=c.dx + common[0], dy=c.dy + common[1])
        found = solve_clock(track, crescents=c, relief_arcsec=relief_arcsec)
        pulls.append((found.offset_s - 3.0) / found.offset_sigma_s)
    # 30 draws: the standard deviation is known to 13 %; a mean error counts as scatter here.
    assert 0.6 < np.sqrt(np.mean(np.square(pulls))) < 1.4


# Near the central line the Moon's path and its mirror image are 10 km apart.
CENTRAL = Site(67.8009, -26.40299, 15.0)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("east_km", [0.0, 10.0])
def test_a_wrong_site_is_not_taken_for_a_mirrored_camera(mirrored, east_km):
    """With the right site a star diagonal is found; with a wrong one no certainty is claimed."""
    greatest = local_circumstances("2026-08-12", CENTRAL).contacts["greatest"].time
    rng = np.random.default_rng(1)
    true = Orientation(11.92, 104.0, mirrored)
    c = crescents(
        sky_track(greatest, CENTRAL), session(rng, 16), rng, offset=-31.0, drift=1.0,
        orientation=true, sigma=0.03,
    )  # fmt: skip
    stated = moved_site(CENTRAL, 0.0, east_km)
    there = sky_track(greatest, stated)
    found = solve_clock(there, crescents=c, doubt=doubted_track(there, stated, Air(1010.0, 10.0)))
    if east_km == 0.0 or not mirrored:
        assert found.orientation.mirrored == mirrored
        assert found.orientation.up_position_angle == pytest.approx(104.0, abs=0.1)
    assert abs(found.offset_s + 31.0) < 5.0 * found.offset_sigma_s


@pytest.mark.parametrize(
    ("shown_h", "claimed", "says", "not_"),
    [
        (-14.0, None, "1 day behind, or its clock 12 hours behind (a.m. for p.m.)", "claims"),
        (22.0, None, "1 day ahead, or its clock 12 hours ahead (a.m. for p.m.)", "claims"),
        (-47.0, None, "2 days behind; times", "a.m."),  # UTC+1 h, and no dial is 48 hours off
        (-14.0, -2.0, "12 hours off (a.m. for p.m.)", "day behind"),
        (-26.0, -2.0, "1 day behind; times", "a.m."),
    ],
)
def test_a_wrong_date_is_told_from_a_wrong_half_of_the_day_where_it_can_be(
    shown_h, claimed, says, not_
):
    """A clock that shows UTC + ``shown_h``: the zone it is set to is all that tells the two."""
    days, hours, _ = split_zone(3600.0 * shown_h, claimed)
    said = " ".join(wrong_zone(days, hours, claimed))
    assert says in said
    assert not_ not in said


@pytest.mark.parametrize(
    ("north", "east", "worse", "says"),
    [
        (-10.0, 0.0, 12.0, ("about 10 km south", "one card in 403.")),  # exp(6)
        (-10.0, 0.0, 30.0, ("about 10 km south",)),
        (3.0, 4.0, 1e6, ("about 5 km north-east", "bearing 53 degrees")),
        (-10.0, 0.0, 8.9, ()),  # the stated site is not doubted, nor the clock's error widened
        (1.0, 1.0, 60.0, ()),
    ],
)
def test_a_site_that_widens_the_clocks_error_is_spoken_of(north, east, worse, says):
    said = place_words(Place(north, east, np.diag([900.0, 4.0]), worse))
    assert len(said) == bool(says)
    for words in says:
        assert words in said[0]
    if says:
        assert ("By chance" in said[0]) == (worse < 25.0)
        assert "known to 2.0 km across and 30 km along bearing 0 degrees" in said[0]
