"""Cameras that a hand rolls between crescents, as whoever aims a tripod anew does."""

import numpy as np
import pytest

from limbward.clock.body import solve_body
from limbward.clock.readings import Body, Readings
from limbward.clock.rolls import Rolls, find_rolls, unrolled
from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing
from limbward.limb.partial import Discs
from limbward.sequences.shots import orientations
from limbward.sky.air import Air
from limbward.sky.contacts import local_circumstances
from limbward.sky.doubt import doubted_track, moved_site
from limbward.sky.ephemeris import Site
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.track import sky_track
from tests.clock.test_solve import crescents, session
from tests.limb.edge_points import edge_points

SITE, AIR = Site(65.0, -23.4, 40.0), Air(1010.0, 10.0)
FLAT = LimbProfile(np.arange(0.0, 360.0, 1.0), np.zeros(360))
ROLLS = np.array([0.0, 2.0, -1.5, 4.0])


@pytest.fixture(scope="module")
def track():
    return sky_track(local_circumstances("2026-08-12", SITE).contacts["greatest"].time, SITE)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("turns", [False, True])
def test_rolls_are_found_to_a_twentieth_of_a_degree(track, seed, mirrored, turns):
    rng = np.random.default_rng(seed)
    camera = Orientation(3.2, float(rng.uniform(0, 360)), mirrored)
    t = session(rng)
    still = crescents(track, t, rng, offset=20.0, drift=2.0, orientation=camera, turns=turns)
    part = np.searchsorted([8, 12, 18], np.arange(24), side="right")
    seen = unrolled(still, -ROLLS[part], mirrored)
    found = find_rolls(track, seen, None)
    assert found.mirrored == mirrored
    wide = np.abs(t) > 600.0  # nearer to greatest eclipse the direction changes by the second
    assert found.part[wide].tolist() == part[wide].tolist()
    assert found.of_parts() == pytest.approx(ROLLS, abs=0.05)
    back = unrolled(seen, found.roll_deg(0), mirrored)
    assert np.hypot(back.dx - still.dx, back.dy - still.dy)[wide].max() < 0.5
    assert found.held(seen.order, np.array([9.5])) == (1, 0.0)
    part, open_deg = found.held(seen.order, np.array([17.5]))
    assert (part, open_deg) == (3, pytest.approx(5.5, abs=0.1))


def solved(track, roll_deg, *, seed, doubt=None, filmed=None, before=10, totality=()):
    """Solve a session of crescents, after the first ten of which the camera is rolled."""
    rng = np.random.default_rng(seed)
    camera = Orientation(4.0, 70.0)
    t = session(rng, 20)
    made = []
    for times, held in ((t[:before], camera.turned(-roll_deg)), (t[before:], camera)):
        made.append(edge_points(filmed or track, lambda _: FLAT, times, held, rng))
    columns = [
        np.concatenate([getattr(discs, name) for discs, _ in made])
        for name in list(Discs.__dataclass_fields__)[1:]
    ]
    frames = np.arange(t.size)
    discs = Discs(frames, *columns)
    inside = np.array(totality, float)
    reading = np.floor(np.append(t, inside) + 12.0)
    n = reading.size
    phase = np.array(["partial"] * t.size + ["totality"] * inside.size, dtype=object)
    readings = Readings(
        np.full(n, "", object), phase, np.full(n, "", object),
        reading, np.ones(n), np.zeros(n), np.argsort(np.argsort(reading + 0.1)).astype(float),
    )  # fmt: skip
    solution, _ = solve_body(
        track, Body("", "", np.arange(n)), readings, discs,
        lambda row: made[int(row >= before)][1](row - before * (row >= before)),
        rotates=False, doubt=doubt,
    )  # fmt: skip
    return camera, solution


@pytest.mark.parametrize("roll_deg", [3.0, -20.0])
def test_a_roll_between_crescents_leaves_clock_and_north_right(track, roll_deg):
    """The camera is held as in totality from 30 s before it."""
    camera, found = solved(
        track, roll_deg, seed=1, doubt=doubted_track(track, SITE, AIR), before=8, totality=(0.0,)
    )
    assert abs(found.offset_s - 12.0) < 2.5 * found.offset_sigma_s < 1.5
    up = found.orientation.up_position_angle - camera.up_position_angle
    assert abs(up) < 2.5 * found.up_sigma_deg < 0.3
    assert found.roll_deg == pytest.approx([-roll_deg] * 8 + [0.0] * 12, abs=0.1)
    assert any("rolled about its axis once" in w for w in found.warnings)
    assert not any("site" in w for w in found.warnings)


def test_a_roll_that_may_have_been_before_or_after_totality_leaves_north_open(track):
    _, found = solved(track, 3.0, seed=2, totality=(0.0, 10.0))
    assert found.up_sigma_deg == pytest.approx(3.0, abs=0.2)
    assert any("north in the corona is uncertain by 3.0 degrees" in w for w in found.warnings)


@pytest.mark.parametrize("north_km", [0.0, 30.0])
def test_a_steady_camera_is_not_said_to_be_rolled(track, north_km):
    """Also where crescents ask for another site."""
    filmed = sky_track(track.epoch, moved_site(SITE, north_km, 0.0))
    _, found = solved(track, 0.0, seed=3, doubt=doubted_track(track, SITE, AIR), filmed=filmed)
    assert found.roll_deg is None
    assert not any("rolled" in w for w in found.warnings)


def test_pictures_of_rolled_crescents_are_turned_upright(track):
    """A measured turn comes first."""
    pointing = Pointing("", "", Orientation(4.0, 70.0))
    held = orientations(
        pointing, track, np.zeros(2), np.array([np.nan, 1.0]), roll_deg=np.array([-3.0, -3.0])
    )
    assert [o.up_position_angle for o in held] == [67.0, 71.0]


def test_a_part_that_tells_no_angle_any_more_is_left_out():
    part, nothing = np.array([0, 0, 1, 1]), np.full(2, np.nan)
    angle, error = np.append([10.0, 10.1], nothing), np.append([0.1, 0.1], nothing)
    rolls = Rolls(part, angle, error, np.full(4, 0.02), False)
    assert np.isnan(rolls.roll_deg(0)).tolist() == [False, False, True, True]
    assert rolls.error_deg(1) == 180.0
