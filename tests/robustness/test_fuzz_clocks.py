"""Clocks from spoilt measurements: 150 tables of `fuzz_clocks`, and the worst of each kind."""

from dataclasses import replace

import numpy as np
import pytest

from limbward.clock.evidence import Crescents, Direct, TotalityEvidence
from limbward.clock.solve import solve_clock
from limbward.geometry.orientation import Orientation
from limbward.sky.air import Air
from limbward.sky.doubt import doubted_track
from tests.clock.test_solve import crescents
from tests.robustness.fuzz_clocks import SITE, faults, fuzz, table, the_track

DAY = 86400.0
OFFSET = 7200.0 - 41.3


@pytest.fixture(scope="module")
def track():
    return the_track()


@pytest.fixture
def good(track):
    """22 good crescents."""
    rng = np.random.default_rng(21)
    t = np.sort(np.append(rng.uniform(-3500, -100, 11), rng.uniform(100, 3500, 11)))
    true = Orientation(3.2, 40.0)
    return crescents(track, t, rng, offset=OFFSET, drift=0.7, orientation=true)


def joined(*parts):
    columns = {
        name: np.concatenate([getattr(p, name) for p in parts])
        for name in Crescents.__dataclass_fields__
    }
    columns["order"] = np.arange(columns["order"].size, dtype=float)
    return Crescents(**columns)


def right(found, sigmas=4.0):
    assert not faults(found)
    assert found.offset_sigma_s < 0.5
    assert found.offset_s == pytest.approx(OFFSET, abs=sigmas * found.offset_sigma_s)


@pytest.mark.statistical
def test_random_tables():
    tally = fuzz(150, seed=3)
    assert not tally.faults
    assert tally.tried == 150
    assert tally.judged > 40
    assert tally.unsolved == 0


@pytest.mark.parametrize("k", [1837, 2311, 3423])
def test_lies_that_lie_on_a_line(track, k):
    """Tables whose wrong references, 5 s off, agree with the right ones by another drift."""
    made = table(track, np.random.default_rng([11, k]))
    doubt = doubted_track(track, SITE, Air(1010.0, 10.0))
    found = solve_clock(
        track, crescents=made.crescents, direct=made.direct, doubt=doubt if k % 2 else None
    )
    assert "direct" in found.sources
    assert found.offset_s == pytest.approx(made.offset_s, abs=3.0 * found.offset_sigma_s)
    assert found.offset_sigma_s < 6.0


def test_right_references_are_not_doubted(track, good):
    """They make the clock better than crescents do."""
    t = np.array([-3000.0, 0.0, 3000.0])
    reading = np.floor(10.0 * (t + OFFSET + 0.7 * t / 3600.0)) / 10.0
    stamped = Direct(reading, np.full(3, 0.1), t, np.zeros(3), np.full(3, 0.02), np.arange(3.0))
    both = solve_clock(track, crescents=good, direct=stamped)
    alone = solve_clock(track, crescents=good)
    assert both.offset_s == pytest.approx(OFFSET, abs=0.1)
    assert both.offset_sigma_s < 0.5 * alone.offset_sigma_s


@pytest.mark.parametrize("hours", [0.5, 9.0])
def test_four_crescents_of_the_moon_by_night(track, good, hours):
    night = good.of(np.arange(22) >= 18)
    night = replace(
        night,
        reading_s=good.reading_s[-1] + 3600.0 * hours + np.arange(4.0),
        dx=0.4 * night.sun_radius_px,
        dy=-0.3 * night.sun_radius_px,
    )
    found = solve_clock(track, crescents=joined(good, night))
    right(found)
    assert not found.steps
    assert found.used.tolist() == [True] * 22 + [False] * 4


@pytest.mark.parametrize("days", [1.0, -1.0, 1096.0, -9720.0])
@pytest.mark.parametrize("frames", [1, 2])
def test_a_frame_or_two_dated_days_off(track, good, days, frames):
    off = np.arange(22) % 11 == 5
    off &= np.cumsum(off) <= frames
    found = solve_clock(track, crescents=replace(good, reading_s=good.reading_s + days * DAY * off))
    right(found)
    assert (found.used == ~off).all()
    assert (found.inside == ~off).all()
    assert np.isnan(found.residual_s[off]).all()
    assert f"{frames} of 22 partial frames were not used for the clock" in found.warnings[0]


def test_a_battery_that_died_before_the_session(track, good):
    dead = -9720 * DAY
    found = solve_clock(track, crescents=replace(good, reading_s=good.reading_s + dead))
    right(replace(found, offset_s=found.offset_s - dead))


def test_a_battery_that_died_half_way(track, good):
    later = np.arange(22) >= 12
    found = solve_clock(track, crescents=replace(good, reading_s=good.reading_s - 3e8 * later))
    right(found)
    assert found.steps[0].seconds == pytest.approx(-3e8, abs=4 * found.steps[0].sigma_s)
    assert (found.steps[0].after, found.steps[0].before) == (11, 12)


def known(reading, utc, sigma=0.1):
    n = np.size(utc)
    return Direct(
        np.array(reading, float), np.full(n, 0.01), np.array(utc, float), np.zeros(n),
        np.full(n, sigma), np.arange(n, dtype=float),
    )  # fmt: skip


def test_two_references_that_contradict_each_other_are_both_named(track):
    found = solve_clock(track, direct=known([100.0, 200.0], [93.0, -3600.0 + 193.0]))
    assert not faults(found)
    assert (
        "allow two clocks: UTC + 0 h 00 min 07.0 s or UTC + 1 h 00 min 07.0 s"
        in (found.warnings[0])
    )
    # The error covers the other clock.
    assert found.offset_s == pytest.approx(7.0, abs=0.2)
    assert found.offset_sigma_s > 3500
    assert found.offset_sigma_s < 3700


def test_totality_decides_between_two_references(track):
    covered = TotalityEvidence(
        np.linspace(-40, 40, 5) + 3607.0, np.ones(5), np.zeros(0), np.zeros(0), -59.0, 59.0
    )
    d = known([100.0, 3700.0], [93.0, 93.0])
    found = solve_clock(track, direct=d, covered=covered)
    assert found.offset_s == pytest.approx(3607.0, abs=0.3)
    assert found.offset_sigma_s < 1
    assert "because it has more of them, or fits what else is known" in found.warnings[0]


def test_more_references_win_and_a_wrong_year_loses(track):
    three = known([0.0, 100.0, 200.0], [-7.0, 93.0, 140.0])
    found = solve_clock(track, direct=three)
    assert found.offset_s == pytest.approx(7.0, abs=0.3)
    assert found.offset_sigma_s < 1
    year = solve_clock(track, direct=known([0.0, 100.0], [-2901138804.0, 93.0]))
    assert year.offset_s == pytest.approx(7.0, abs=0.3)
    assert year.offset_sigma_s < 1


@pytest.mark.parametrize("apart", [6.0, 40.0, 3600.0, -2901138804.0])
def test_a_reference_that_contradicts_the_crescents(track, good, apart):
    found = solve_clock(track, crescents=good, direct=known([OFFSET + apart], [0.0]))
    right(found)
    if abs(apart) > 30:
        assert "the crescents are believed" in found.warnings[0]
        assert found.sources == ("crescents",)


def test_frames_of_one_minute_may_be_before_or_after(track):
    """A burst tells no direction of the Moon's motion: both clocks are named, and covered."""
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(1500.0, 1500.4, 8))
    true = Orientation(3.2, 40.0)
    c = crescents(track, t, rng, offset=OFFSET, drift=0.0, orientation=true)
    found = solve_clock(track, crescents=c)
    assert not faults(found)
    assert "The crescents allow two clocks" in found.warnings[0]
    assert abs(found.offset_s - OFFSET) < 3 * found.offset_sigma_s
    # A reference shot decides.
    decided = solve_clock(track, crescents=c, direct=known([OFFSET], [0.0]))
    right(decided)
    assert not decided.warnings


def dark(reading, before=(), after=()):
    reading, before, after = (np.array(v, float) for v in (reading, before, after))
    return TotalityEvidence(reading, np.ones(reading.size), before, after, -59.0, 59.0)


@pytest.mark.parametrize(
    "covered",
    [
        dark([0.0, 10.0, 7200.0]),
        dark([0.0, 10.0], before=[500.0]),
        dark([0.0, 10.0], after=[-500.0]),
        dark([0.0, np.nan]),
    ],
)
def test_phases_that_contradict_each_other_are_no_interval(track, good, covered):
    alone = solve_clock(track, covered=covered)
    assert not faults(alone)
    assert abs(alone.offset_s - 5.0) < 70.0
    joined_ = solve_clock(track, crescents=good, covered=covered)
    right(joined_)
    assert "totality" not in joined_.sources
    assert "from" not in joined_.warnings[0].split(":")[1]


def test_a_step_with_frames_on_one_side_is_none(track, good):
    """Two clocks, of which the later frames are of something else: nothing says step."""
    rng = np.random.default_rng(6)
    later = np.arange(22) >= 16
    c = replace(
        good,
        reading_s=np.where(later, good.reading_s + 3e7 + rng.uniform(-20, 20, 22), good.reading_s),
        dx=np.where(later, good.dy, good.dx),
        dy=np.where(later, good.dx, good.dy),
    )
    found = solve_clock(track, crescents=c)
    right(found)
    assert not found.steps


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_few_and_equal_frames(track, good, n):
    first = np.zeros(n, int)
    same = Crescents(*(getattr(good, name)[first] for name in Crescents.__dataclass_fields__))
    found = solve_clock(track, crescents=same)
    assert (found is None) == (n < 3)
    if found is not None:
        assert not faults(found)
        # One instant tells no drift: what is known of clocks in general stays.
        assert found.drift_sigma_s_per_hour > 10
