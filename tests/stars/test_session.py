"""Stars recognised in lists of points, against the geometry of the second simulator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from limbward.stars.match import CHANCE, Prior
from limbward.stars.session import find_stars, rounded_up
from tests.stars import lists

pytestmark = pytest.mark.filterwarnings("ignore:The Earth's rotation")


@pytest.fixture(scope="module")
def sky():
    return lists.sky()


def blind(card, off=1.0015):
    """Nothing is known but the Moon's size, and the Sun on either side of it."""
    return Prior(off * card.scale, None, 180.0, None, 150.0 / card.scale)


def turn(a, b):
    return abs((a - b + 180.0) % 360.0 - 180.0)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("roll", [0.1, -2.2])
def test_five_stars_tell_turn_scale_and_side(sky, mirrored, roll):
    card = lists.card(3, mirrored=mirrored, roll=roll, most=5)
    found = find_stars(card.frames, sky, blind(card))
    assert found is not None
    assert found.orientation.mirrored == mirrored
    # The user's bound, and what is claimed of it.
    off = turn(found.orientation.up_position_angle, card.up)
    assert off < 0.01
    assert off < 4.0 * found.up_sigma_deg
    # Refraction makes the camera's scale at the Sun another by 3e-5 in one direction.
    assert found.orientation.pixel_scale_arcsec == pytest.approx(card.scale, rel=2e-4)
    assert found.chance < CHANCE
    assert {s.name for s in found.stars if s.used} <= set(card.names)
    assert len(found.stars) >= 5


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_field_of_an_altazimuth_mount_turns(sky, mirrored):
    """At 80 degrees of altitude by 0.3 degrees in two minutes."""
    card = lists.card(6, mirrored=mirrored, kind="altaz", roll=0.3, most=6)
    assert np.ptp(card.frames.turn) > np.radians(0.2)
    found = find_stars(card.frames, sky, blind(card))
    assert found is not None
    assert turn(found.orientation.up_position_angle, card.up) < 0.01
    still = replace(card.frames, turn=np.zeros_like(card.frames.turn))
    worse = find_stars(still, sky, blind(card))
    assert worse is None or worse.up_sigma_deg > 3.0 * found.up_sigma_deg


def test_stated_errors_are_those_that_are_made(sky):
    """Over eight cards with other noise the errors scatter as stated."""
    pulls = []
    for seed in range(8):
        card = lists.card(seed, most=8, noise_px=0.3, distortion=0.0)
        found = find_stars(card.frames, sky, blind(card))
        assert found is not None
        off = (found.orientation.up_position_angle - card.up + 180.0) % 360.0 - 180.0
        pulls.append(off / found.up_sigma_deg)
    assert 0.3 < float(np.sqrt(np.mean(np.square(pulls)))) < 1.7


@pytest.mark.parametrize("mirrored", [False, True])
def test_distortion_shows_and_is_fitted(sky, mirrored):
    card = lists.card(1, mirrored=mirrored, distortion=0.004, magnitudes=(4.0, 8.2))
    found = find_stars(card.frames, sky, blind(card))
    assert found is not None
    assert found.radial == pytest.approx(0.004, abs=4.0 * found.radial_sigma)
    assert found.radial_sigma < 4e-4
    assert turn(found.orientation.up_position_angle, card.up) < 0.01
    assert found.orientation.pixel_scale_arcsec == pytest.approx(card.scale, rel=4e-4)


def test_no_distortion_is_none(sky):
    for seed in range(2):
        card = lists.card(seed, magnitudes=(4.0, 8.2))
        found = find_stars(card.frames, sky, blind(card))
        assert found is not None
        assert found.radial == 0.0
        assert np.isfinite(found.radial_sigma)


def test_points_that_stay_where_they_are_on_the_sky_but_are_no_stars(sky):
    """Forty skies of invented points, as many as there are stars: none is recognised."""
    card = lists.card(0, most=0, decoys=0)
    rng = np.random.default_rng(9)
    for _ in range(40):
        n = 14
        place = rng.uniform(-1, 1, n) * 850 + 1j * rng.uniform(-1, 1, n) * 550
        signal = 10 ** (0.4 * (lists.ZERO - rng.uniform(5.0, 8.0, n)))
        points = [
            np.column_stack([
                (sun + place).real, (sun + place).imag, np.full(n, 0.1), signal, signal / 20.0,
            ])
            for sun in card.frames.sun
        ]  # fmt: skip
        assert find_stars(replace(card.frames, points=points), sky, blind(card)) is None


def test_no_stars_no_answer(sky):
    assert find_stars(lists.card(2, most=0).frames, sky, blind(lists.card(2))) is None
    nothing = lists.card(2, most=0, decoys=0)
    assert find_stars(nothing.frames, sky, blind(nothing)) is None


def test_two_stars_are_recognised_where_the_orientation_is_known(sky):
    card = lists.card(4, mirrored=True, most=3)
    prior = Prior(card.scale, card.up + 0.01, 0.01, True, 2.0)
    found = find_stars(card.frames, sky, prior)
    assert found is not None
    assert {s.name for s in found.stars} <= set(card.names)
    for star in found.stars:
        assert np.hypot(star.miss_east, star.miss_north) < 5.0 * star.sigma
        assert star.measured_magnitude == pytest.approx(star.magnitude, abs=0.1)
    # With the camera the other way round there is nothing.
    assert find_stars(card.frames, sky, replace(prior, mirrored=False)) is None


def test_a_hot_pixel_is_no_star(sky):
    """It stays where it is on the sensor while the sky moves over it."""
    card = lists.card(5, most=0, decoys=0)
    hot = np.array([[400.0, 300.0, 0.02, 5e4, 500.0], [1500.0, 900.0, 0.02, 4e4, 500.0]])
    frames = replace(card.frames, points=[hot.copy() for _ in card.frames.points])
    assert find_stars(frames, sky, blind(card)) is None


def test_probabilities_are_rounded_up():
    assert rounded_up(1.42e-5) == 2e-5
    assert rounded_up(3e-7) == 3e-7
    assert rounded_up(0.0) == 1e-30
