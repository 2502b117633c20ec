"""Clocks by crescents of the Moon's real limb, on edge points made without pictures.

`python -m tests.benchmarks.limb_clock` does the same for two hundred random sessions.
"""

from dataclasses import replace

import numpy as np
import pytest

from limbward.clock import body
from limbward.limb.relief import LimbVerdict
from limbward.sky.limb_profile import LimbProfile
from tests.benchmarks.limb_clock import sky_of, solved
from tests.limb.edge_points import invented

FLAT = LimbProfile(np.arange(0.0, 360.0, 1.0), np.zeros(360))


@pytest.mark.parametrize("k", [0, 3])
def test_with_its_mountains_the_moon_tells_the_time_to_hundredths(k):
    """1.5 arcsec a pixel, tags in hundredths, heights 0.1 arcsec off as those of a grid are."""
    found = solved(k, seed=k)
    assert found.decision == "real"
    assert found.sigma_s < 0.05
    assert abs(found.error_s) < 3.5 * found.sigma_s
    # The Moon is the measure of the scale, and with it of the drift: the tables' Sun, 0.3 arcsec
    # too small, would make that 1.2 s/h wrong.
    assert abs(found.drift_error) < 0.6


def test_a_filter_that_makes_the_sun_larger_changes_nothing():
    """0.2 arcsec, before totality only, where a wrong size would be a wrong time."""
    found = solved(0, seed=4, sides="before", sun_size=1.0002)
    assert found.decision == "real"
    assert abs(found.error_s) < 3.5 * found.sigma_s


def test_with_a_smooth_moon_the_same_session_is_seconds_off():
    """The Moon's centre of figure is half an arcsecond from its centre of mass."""
    found = solved(0, seed=0, known=False)
    assert abs(found.error_s) > 0.3
    assert found.decision is None


@pytest.mark.parametrize("smooth", [True, False])
def test_another_limb_leaves_the_clock_as_it_is_without_one(smooth):
    """Cards of other simulations: the real limb is neither used nor does it move anything."""
    limb = FLAT if smooth else invented(np.random.default_rng(8))
    with_limb = solved(1, seed=8, limb_at=lambda t: limb)
    without = solved(1, seed=8, limb_at=lambda t: limb, known=False)
    # Other mountains can look like the real ones by chance; the crescents then tell.
    assert with_limb.decision == "smooth" if smooth else with_limb.decision != "real"
    assert with_limb.error_s == without.error_s
    assert with_limb.sigma_s == pytest.approx(without.sigma_s, rel=1e-4)


@pytest.mark.parametrize("sides", ["both", "before"])
def test_where_it_cannot_be_told_the_error_holds_what_the_limb_changes(sides):
    """Half as high a limb is neither the real one nor smooth: half an arcsecond is a second."""
    limbs = sky_of(0).limbs

    def half(t):
        profile = limbs.at(t)
        return LimbProfile(profile.position_angle, 0.5 * profile.height_arcsec)

    found = solved(0, seed=5, limb_at=half, sides=sides)
    assert found.decision == "undetermined"
    # Of the same session with the real limb, whose error is only what crescents and site leave.
    assert found.sigma_s > 2.0 * solved(0, seed=5, sides=sides).sigma_s
    assert abs(found.error_s) < 2.0 * found.sigma_s


@pytest.fixture
def decided(monkeypatch):
    """Solve a session of the real limb whose pictures are made to leave it open."""
    told = body._verdict

    def session(used, doubt, *, weighed=False, **more):
        def open_verdict(*arguments):
            return replace(told(*arguments), decision="undetermined", used=used, doubt=doubt)

        with monkeypatch.context() as patch:
            patch.setattr(body, "_verdict", open_verdict)
            if not weighed:
                patch.setattr(LimbVerdict, "weighed", lambda verdict, worse: verdict)
            return solved(0, seed=5, **more)

    return session


def test_while_it_cannot_be_told_the_heights_count_as_unknown(decided):
    """However sure of the real limb: 0.4 arcsec of relief is 0.1 s and more in a session."""
    found = decided(used=True, doubt=0.0)
    assert found.decision == "undetermined"
    assert found.sigma_s > 2.0 * solved(0, seed=5).sigma_s


def test_a_limb_that_is_not_used_is_in_the_error_as_far_as_it_is_likely(decided):
    real, smooth, open_ = solved(0, seed=5), solved(0, seed=5, known=False), decided(False, 0.4)
    assert open_.error_s == smooth.error_s
    apart = smooth.error_s - real.error_s
    expected = np.hypot(smooth.sigma_s, np.sqrt(0.4) * apart)
    assert open_.sigma_s == pytest.approx(expected, rel=0.02)


def test_where_the_shape_of_the_limb_leaves_it_open_the_crescents_decide(decided):
    """Half an arcsecond of the Moon's centre is off the one path or off the other."""
    real, flat = solved(0, seed=5), {"limb_at": lambda t: FLAT}
    found = decided(False, 0.4, weighed=True)
    assert found.error_s == decided(True, 0.0).error_s
    assert abs(found.error_s) < 3 * real.sigma_s
    smooth = solved(0, seed=5, known=False, **flat)
    found = decided(True, 0.2, weighed=True, **flat)
    assert found.error_s == smooth.error_s
    assert found.sigma_s < 1.5 * smooth.sigma_s


def test_a_limb_that_a_person_gives_is_believed():
    """Even where the pictures say otherwise, and at that person's cost."""
    found = solved(0, seed=2, limb_at=lambda t: FLAT, given=True)
    assert found.decision == "given"
    assert abs(found.error_s) > 0.3
