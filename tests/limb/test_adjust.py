"""The adjustment of all frames, on made observations with known truth."""

import numpy as np
import pytest

from limbward.geometry.orientation import Orientation
from limbward.limb.adjust import Limbs, Pairs, adjust, choose_pairs

N = 30
SCALE = 3.2
TIME = np.linspace(-50, 50, N)
# The Moon's path against the Sun, arcsec: across by 50, with a slight bend.
PATH = np.stack([0.45 * TIME + 3.0, -0.2 * TIME + 1e-3 * TIME**2], axis=1)
SPEED = np.stack([np.full(N, 0.45), -0.2 + 2e-3 * TIME], axis=1)


def scene(rng, orientation, *, limb_sigma=0.05, pair_sigma=0.02, turn=None):
    turn = np.zeros(N) if turn is None else turn
    sun = np.cumsum(rng.normal(0, 0.4, (N, 2)), axis=0) + np.array([800.0, 600.0])
    moon = sun + [orientation.turned(turn[i]).to_pixels(*PATH[i]) for i in range(N)]
    limbs = Limbs(
        *(moon + rng.normal(0, limb_sigma, (N, 2))).T,
        np.full(N, limb_sigma),
        PATH,
        SPEED,
        turn,
    )
    first, second = np.array(choose_pairs(TIME, 2.0 ** (np.arange(N) % 5))).T
    between = sun[first] - sun[second] + rng.normal(0, pair_sigma, (first.size, 2))
    return sun, limbs, Pairs(first, second, *between.T, np.full(first.size, pair_sigma))


def miss(found, sun):
    return np.hypot(found.x - sun[:, 0], found.y - sun[:, 1])


@pytest.mark.parametrize("mirrored", [False, True])
def test_limbs_and_pairs_together_beat_the_limbs(mirrored):
    rng = np.random.default_rng(1)
    true = Orientation(SCALE, 70.0, mirrored)
    sun, limbs, pairs = scene(rng, true, turn=np.linspace(-0.2, 0.2, N))
    alone = adjust(limbs, Pairs(*[np.zeros(0, int)] * 2, *[np.zeros(0)] * 3), true,
                   up_sigma_deg=0.01, time_sigma_s=1e-3)  # fmt: skip
    both = adjust(limbs, pairs, true, up_sigma_deg=0.01, time_sigma_s=1e-3)
    assert np.sqrt(np.mean(miss(both, sun) ** 2)) < 0.6 * np.sqrt(np.mean(miss(alone, sun) ** 2))
    assert both.limb_used.all()
    assert both.held_by_pairs.all()
    dx, dy = np.array([true.turned(limbs.turn_deg[i]).to_pixels(*PATH[i]) for i in range(N)]).T
    assert both.moon_x - both.x == pytest.approx(dx, abs=0.01)
    assert both.moon_y - both.y == pytest.approx(dy, abs=0.01)


@pytest.mark.statistical
def test_stated_errors_are_honest():
    pulls = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        sun, limbs, pairs = scene(rng, Orientation(SCALE, 10.0))
        found = adjust(limbs, pairs, Orientation(SCALE, 10.0), up_sigma_deg=1e-3, time_sigma_s=1e-3)
        pulls += list((found.x - sun[:, 0]) / found.sigma)
    # 40 cards, of which each has an error common to its frames: known to 5 %; three times that.
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.15)


def test_an_unknown_orientation_comes_out():
    rng = np.random.default_rng(3)
    sun, limbs, pairs = scene(rng, Orientation(SCALE, 211.0))
    found = adjust(limbs, pairs, Orientation(SCALE, 180.0), up_sigma_deg=1e3, time_sigma_s=0.1)
    turned = (found.up_position_angle - 211.0 + 180) % 360 - 180
    assert abs(turned) < 4 * found.up_sigma_deg
    assert found.up_sigma_deg < 1.0
    assert miss(found, sun).max() < 0.3


def test_a_false_limb_is_named_and_the_corona_holds_its_frame():
    rng = np.random.default_rng(5)
    sun, limbs, pairs = scene(rng, Orientation(SCALE, 10.0))
    limbs.x[[4, 20]] += [3.0, -40.0]
    found = adjust(limbs, pairs, Orientation(SCALE, 10.0), up_sigma_deg=0.01, time_sigma_s=1e-3)
    assert np.flatnonzero(~found.limb_used).tolist() == [4, 20]
    assert miss(found, sun).max() < 0.15


def test_false_pairs_are_left_out():
    rng = np.random.default_rng(7)
    sun, limbs, pairs = scene(rng, Orientation(SCALE, 10.0))
    pairs.dx[[3, 30]] += 5.0
    found = adjust(limbs, pairs, Orientation(SCALE, 10.0), up_sigma_deg=0.01, time_sigma_s=1e-3)
    assert np.flatnonzero(~found.pair_used).tolist() == [3, 30]
    assert miss(found, sun).max() < 0.15


def test_a_frame_that_nothing_holds_stays_unknown():
    rng = np.random.default_rng(9)
    sun, limbs, pairs = scene(rng, Orientation(SCALE, 10.0))
    limbs.x[7] = limbs.y[7] = np.nan
    free = (pairs.first != 7) & (pairs.second != 7)
    fewer = Pairs(*(a[free] for a in (pairs.first, pairs.second, pairs.dx, pairs.dy, pairs.sigma)))
    lost = adjust(limbs, fewer, Orientation(SCALE, 10.0), up_sigma_deg=0.01, time_sigma_s=1e-3)
    assert np.isnan(lost.x[7])
    assert np.isfinite(np.delete(lost.x, 7)).all()
    held = adjust(limbs, pairs, Orientation(SCALE, 10.0), up_sigma_deg=0.01, time_sigma_s=1e-3)
    assert miss(held, sun)[7] < 0.15


def test_partners_are_near_in_time_and_exposure():
    exposure = np.tile(2.0 ** np.arange(-11, 2, 2), 5)
    time = np.arange(exposure.size, dtype=float)
    pairs = choose_pairs(time, exposure)
    for i, j in pairs:
        assert 0 < time[j] - time[i] <= 14
        assert abs(np.log2(exposure[j] / exposure[i])) <= 4.2
    assert {i for pair in pairs for i in pair} == set(range(exposure.size))
