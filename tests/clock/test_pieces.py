"""Clocks that were set, stood still or ran far off; sites and airs that are not as stated."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.clock.between import Run, times_between, times_by_order, windows
from limbward.clock.frames import frame_times
from limbward.clock.pieces import find_pieces
from limbward.clock.solve import solve_clock
from limbward.clock.standing import equal_readings
from limbward.geometry.orientation import Orientation
from limbward.sky.air import Air
from limbward.sky.contacts import local_circumstances
from limbward.sky.doubt import doubted_track, moved_site
from limbward.sky.ephemeris import Site
from limbward.sky.track import sky_track
from tests.clock.test_readings import body, readings
from tests.clock.test_solve import crescents

SITE = Site(65.0, -23.4, 40.0)
AIR = Air(1010.0, 10.0)


@pytest.fixture(scope="module")
def track():
    greatest = local_circumstances("2026-08-12", SITE).contacts["greatest"].time
    return sky_track(greatest, SITE)


@pytest.fixture(scope="module")
def doubt(track):
    return doubted_track(track, SITE, AIR)


def steady(n=24):
    """Crescents every five minutes, but not in totality."""
    return np.append(np.linspace(-3500, -100, n // 2), np.linspace(110, 3500, n // 2))


def texts(*values):
    return np.array(values, dtype=object)


@pytest.mark.parametrize(
    "steps",
    [
        {7: 35.0},
        {5: -50.0, 15: 22.0},
        {4: 20.0, 9: -80.0, 16: 60.0, 20: -30.0},
        {12: -86400.0},
        {8: -43200.0, 15: 3600.0},
    ],
)
def test_pieces_of_a_clock_are_found(track, steps):
    rng = np.random.default_rng(2)
    t = steady()
    c = crescents(track, t, rng, offset=-20.0, drift=3.0, orientation=Orientation(3.2, 123.0))
    for first, seconds in steps.items():
        c.reading_s[first:] += seconds
    found = solve_clock(track, crescents=c)
    assert [step.before for step in found.steps] == list(steps)
    for step, seconds in zip(found.steps, steps.values(), strict=True):
        assert step.seconds == pytest.approx(seconds, abs=4 * step.sigma_s)
        assert step.sigma_s < 2
    true = found.since_greatest_s(c.reading_s, c.resolution_s, c.order)
    off = (true - t) / found.sigma_s(c.reading_s, c.resolution_s, c.order)
    assert np.abs(off).max() < 4


@pytest.mark.parametrize(
    ("seconds", "sigma_px"), [(3.0, 0.02), (-4.0, 0.02), (8.0, 0.2), (20.0, 0.2)]
)
def test_a_small_setting_is_not_taken_for_drift(track, seconds, sigma_px):
    """Dated by its own crescent, a frame is not sharp enough for it; all of them together are."""
    rng = np.random.default_rng(4)
    c = crescents(
        track, steady(36), rng, offset=11.0, drift=0.4, orientation=Orientation(3.2, 40.0),
        sigma=sigma_px, step=0.01,
    )  # fmt: skip
    c.reading_s[20:] += seconds
    found = solve_clock(track, crescents=c)
    assert [(step.after, step.before) for step in found.steps] == [(19.0, 20.0)]
    assert found.steps[0].seconds == pytest.approx(seconds, abs=4 * found.steps[0].sigma_s)
    assert found.used.all()


@pytest.mark.parametrize("drift", [-60.0, 60.0, 600.0])
def test_a_clock_that_drifts_far(track, drift):
    """A minute an hour, and ten: no clock that anyone has, but solved all the same."""
    rng = np.random.default_rng(5)
    c = crescents(track, steady(), rng, offset=9.0, drift=drift, orientation=Orientation(3.2, 3.0))
    found = solve_clock(track, crescents=c)
    assert not found.steps
    assert found.offset_s == pytest.approx(9.0, abs=4 * found.offset_sigma_s)
    assert found.offset_sigma_s < 0.5
    assert found.drift_s_per_hour == pytest.approx(drift, abs=4 * found.drift_sigma_s_per_hour)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_any_table_falls_into_pieces(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 40))
    late = rng.choice([0.0, 50.0, -3600.0, 1e9], n) + rng.normal(0, 10.0 ** rng.uniform(-3, 6), n)
    t = rng.uniform(-4000, 4000, n) * rng.choice([0.0, 1.0])
    found = find_pieces(late, 10.0 ** rng.uniform(-3, 2, n), t, rng.permutation(n).astype(float))
    assert np.isfinite([found.cost, found.drift, *found.offset_s]).all()
    assert set(found.piece) == set(range(found.offset_s.size))


def burst(step_at, seconds):
    """A burst through totality, from -50 to 50 s, between two crescents."""
    t = np.concatenate([[-200.0], np.arange(-50.0, 50.0, 2.0), [200.0]])
    phase = texts("partial", *["totality"] * 50, "partial")
    reading = t + seconds * (np.arange(t.size) >= step_at)
    run = Run(np.floor(reading), np.ones(t.size), np.full(t.size, 0.1), phase)
    return t, run, reading, reading - seconds


@pytest.mark.parametrize("seconds", [-86400.0, -43200.0, -75.0, -20.0, 40.0, 90.0, 3600.0])
@pytest.mark.parametrize("step_at", [1, 20, 51])
def test_a_clock_set_in_the_middle_of_totality(step_at, seconds):
    """Frames go back in time, or stop for longer than they do elsewhere."""
    t, run, before, after = burst(step_at, seconds)
    found, sigma = times_between(run, before, after, (-59.0, 59.0), *windows(run, (-59.0, 59.0)))
    assert (np.abs(found - t) <= 5 * sigma + 1e-9).all()
    if 1 < step_at < 51 and not 0 < seconds < 60:
        assert sigma.max() < 1


def test_two_settings_in_totality_leave_the_times_between_them_open():
    t, run, before, _ = burst(60, 0.0)
    there = (np.arange(t.size) >= 20) & (np.arange(t.size) < 40)
    reading = before + 300.0 * there
    found, sigma = times_between(run, reading, reading, (-59.0, 59.0), *windows(run, (-59.0, 59.0)))
    assert found[~there] == pytest.approx(t[~there])
    assert (np.abs(found - t) <= 5 * sigma + 1e-9).all()
    assert sigma[there].max() < 60


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_frames_between_crescents_have_times_whatever_they_show(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 30))
    kinds = texts(*rng.choice(["totality", "contact", "partial", "other"], n))
    size = 10.0 ** rng.uniform(0, 7)
    run = Run(rng.normal(0, size, n), np.ones(n), 10.0 ** rng.uniform(-4, 2, n), kinds)
    shift = rng.choice([0.0, 60.0, -86400.0])
    bounds = windows(run, (-59.0, 59.0))
    t, sigma = times_between(run, run.reading_s, run.reading_s - shift, (-59.0, 59.0), *bounds)
    assert np.isfinite(t).all()
    assert np.isfinite(sigma).all()
    assert (sigma >= 0).all()
    t, sigma = times_by_order(*bounds)
    assert (np.isfinite(t) == np.isfinite(sigma)).all()
    assert (sigma[np.isfinite(t)] > 0).all()


@pytest.mark.parametrize("end", [0, -1])
@pytest.mark.parametrize("seconds", [-60.0, 0.0, 45.0])
def test_a_clock_set_beside_a_crescent_that_tells_little(track, end, seconds):
    """A nick at the Sun's edge dates itself to 9 s: no piece of its own, but no other's either."""
    rng = np.random.default_rng(12)
    t = steady()
    c = crescents(track, t, rng, offset=7.0, drift=2.0, orientation=Orientation(3.2, 123.0))
    nick = rng.normal(0.0, 1.5, 2)
    c.dx[end], c.dy[end] = c.dx[end] + nick[0], c.dy[end] + nick[1]
    c.sigma_px[end] = 1.5
    c.reading_s[end] += seconds
    found = solve_clock(track, crescents=c)
    # Before the first crescent and after the last there is a frame of the whole Sun.
    true = np.concatenate([[t[0] - 400.0], t, [t[-1] + 400.0]])
    reading = np.floor(true + 7.0 + 2.0 * true / 3600.0)
    reading[1:-1] = c.reading_s
    reading[end] += seconds
    frames = readings(["other", *["partial"] * t.size, "other"], reading)
    found_s, sigma, warnings = frame_times(
        found, body(true.size), frames, np.arange(1, true.size - 1), (-59.0, 59.0)
    )
    off = np.abs(found_s - true) / sigma
    assert off.max() < 3
    assert sigma.max() < 40
    assert bool(warnings) == (seconds != 0.0)
    assert (sigma[3:-3] < 1).all()


def test_a_clock_that_stood_still_is_told_from_a_burst():
    kinds = ["partial"] * 3 + ["totality"] * 6
    r = readings(kinds, [5.0] * 9)
    r.exposure_s[:] = 0.5
    assert equal_readings(r, np.arange(9)) == 9
    burst_ = readings(["totality"] * 6, [5.0] * 6)
    burst_.exposure_s[:] = 0.01
    assert equal_readings(burst_, np.arange(6)) == 0
    assert equal_readings(readings(kinds, np.arange(9.0)), np.arange(9)) == 0


@pytest.mark.parametrize("east", [3.0, -30.0, 100.0, -300.0])
def test_a_site_that_crescents_contradict_is_said_with_direction_and_size(track, doubt, east):
    """At this place the Moon's path runs south-east: a place to the east lies beside it."""
    rng = np.random.default_rng(8)
    there = sky_track(track.epoch, moved_site(SITE, 0.0, east))
    c = crescents(there, steady(), rng, offset=30.0, drift=1.0, orientation=Orientation(3.2, 70.0))
    found = solve_clock(track, crescents=c, doubt=doubt)
    assert found.offset_s == pytest.approx(30.0, abs=3 * found.offset_sigma_s)
    assert found.place.east_km == pytest.approx(east, abs=4 * np.sqrt(found.place.covariance[1, 1]))
    assert ("The crescents fit a site" in " ".join(found.warnings)) == (abs(east) > 2)
    way = "east" if east > 0 else "west"
    said = next(w for w in found.warnings if "fit a site" in w)
    assert way in said


@pytest.mark.parametrize("way", [(1.0, 0.0), (0.0, 1.0)])
def test_a_site_as_stated_is_not_doubted(track, doubt, way):
    """A hundred metres, and field rotation that the mount's model does not know."""
    rng = np.random.default_rng(9)
    there = sky_track(track.epoch, moved_site(SITE, 0.1 * way[0], 0.1 * way[1]))
    c = crescents(there, steady(), rng, offset=3.0, drift=1.0, orientation=Orientation(3.2, 70.0))
    turn = np.radians(0.1) * steady() / 3600.0
    dx = c.dx * np.cos(turn) - c.dy * np.sin(turn)
    c.dy[:] = c.dx * np.sin(turn) + c.dy * np.cos(turn)
    c.dx[:] = dx
    found = solve_clock(track, crescents=c, doubt=doubt)
    assert found.offset_s == pytest.approx(3.0, abs=3 * found.offset_sigma_s)
    assert found.offset_sigma_s < 0.5
    assert not found.warnings


def test_a_season_is_in_the_error_of_a_low_sun():
    """43 degrees north, Sun at 8 degrees, frames before totality only: 4 % of refraction."""
    site = Site(43.2, -3.2, 0.0)
    greatest = local_circumstances("2026-08-12", site).contacts["greatest"].time
    track = sky_track(greatest, site, pressure_hpa=1013.25, temperature_c=15.0)
    winter = sky_track(greatest, site, pressure_hpa=1013.25 * 1.04, temperature_c=15.0)
    rng = np.random.default_rng(4)
    t = np.linspace(-3300, -100, 14)
    c = crescents(
        winter, t, rng, offset=0.0, drift=0.0, orientation=Orientation(3.2, 70.0), step=0.01
    )
    exact = solve_clock(track, crescents=c)
    found = solve_clock(track, crescents=c, doubt=doubted_track(track, site, Air(1013.25, 15.0)))
    assert found.offset_sigma_s > exact.offset_sigma_s
    assert found.offset_s == pytest.approx(0.0, abs=3 * found.offset_sigma_s)
