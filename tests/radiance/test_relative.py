"""Exposure ratios from frames whose true exposures are known."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.radiance.registered import register_frames
from limbward.radiance.relative import pairs, relative_exposures, york_line
from tests.radiance.scene import RATE, SKY, Scene, Shot
from tests.robustness.fuzz_exposures import check, random_frames

BRACKET = (1 / 2000, 1 / 500, 1 / 125, 1 / 30, 1 / 8, 1 / 2, 2.0)


def test_york_line_gives_the_published_example():
    """K. Pearson's data with D. York's weights: slope -0.4805, intercept 5.4799.

    D. York, Canadian Journal of Physics 44 (1966) 1079; again in York et al. (2004), table II.
    Outliers are damped here, so the three worst points, within 1.4 sigma, must not be.
    """
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    wx = np.array([1e3, 1e3, 5e2, 8e2, 2e2, 8e1, 6e1, 2e1, 1.8, 1.0])
    wy = np.array([1.0, 1.8, 4.0, 8.0, 2e1, 2e1, 7e1, 7e1, 1e2, 5e2])
    line = york_line(x, y, 1 / wx, 1 / wy, start=-0.5)
    assert line.slope == pytest.approx(-0.48053, abs=0.01)
    assert line.offset == pytest.approx(5.47991, abs=0.05)


@settings(max_examples=30, deadline=None)
@given(slope=st.floats(0.2, 5.0), offset=st.floats(-50, 50), seed=st.integers(0, 10**6))
def test_york_line_is_not_flattened_by_noise_in_x(slope, offset, seed):
    """Ordinary least squares would give 0.92 of the slope here."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(0, 100, 4000)
    x = true + rng.normal(0, 8.5, true.size)
    y = slope * true + offset + rng.normal(0, 5, true.size)
    line = york_line(x, y, np.full(x.shape, 8.5**2), np.full(x.shape, 25.0), slope * 1.1)
    assert abs(line.slope - slope) < 5 * line.slope_sigma
    assert line.slope == pytest.approx(slope, rel=0.06)


def test_every_frame_is_tied_to_the_others():
    exposure = np.repeat(BRACKET, 3)
    reached = {0}
    edges = pairs(exposure)
    for _ in range(len(exposure)):
        reached |= {j for i, j in edges if i in reached} | {i for i, j in edges if j in reached}
    assert reached == set(range(len(exposure)))
    assert all(exposure[i] <= exposure[j] for i, j in edges)


def bracketed(scene, rng, brackets=2, offset=0.0):
    shots = []
    for b in range(brackets):
        for k, e in enumerate(BRACKET):
            shots.append(
                Shot(
                    e,
                    float(np.exp(rng.normal(0, 0.05))),
                    scene.width / 2 + rng.uniform(-10, 10),
                    scene.height / 2 + rng.uniform(-10, 10),
                    moon_dx=-4.0 + 8.0 * b + 0.2 * k,
                    moon_dy=1.0,
                    rotation_deg=0.7 * b,
                    offset=offset if b else 0.0,
                )
            )
    return shots


@pytest.mark.parametrize("offset", [0.0, 6.0])
def test_exposures_to_half_a_percent_with_a_shutter_off_by_five(offset):
    """A black level 6 ADU too high in half of the frames must not bend the ratios either."""
    scene = Scene(960, 640, 120.0)
    rng = np.random.default_rng(11)
    shots = bracketed(scene, rng, offset=offset)
    views = [scene.view(s, scene.frame(s, rng)) for s in shots]
    found = relative_exposures(register_frames(views, scene.grid))
    true = np.array([s.factor for s in shots])
    error = found.factor / true
    error /= np.exp(np.log(error).mean())
    assert np.abs(error - 1.0).max() < 0.005
    assert np.sqrt(np.mean((error - 1.0) ** 2)) < 0.0015
    assert found.ties.min() > 0
    if offset:  # in short exposures, where the sky cannot hide it, the step is seen
        step = found.offset[len(BRACKET) : len(BRACKET) + 3] - found.offset[:3]
        np.testing.assert_allclose(step, offset, atol=1.0)


@pytest.mark.parametrize("first", range(0, 40, 10))
def test_nonsense_gives_numbers_with_errors(first):
    """No exception, no NaN, no standard error of zero; by the thousand with `fuzz_exposures`."""
    for seed in range(first, first + 10):
        check(random_frames(np.random.default_rng(seed)))


def test_a_lone_frame_keeps_its_exposure():
    scene = Scene(480, 320, 60.0)
    shot = Shot(1 / 30, 1.0, 240, 160)
    view = scene.view(shot, scene.frame(shot, np.random.default_rng(1)))
    found = relative_exposures(register_frames([view], scene.grid))
    assert found.factor.tolist() == [1.0]
    assert found.ties.tolist() == [0]
    np.testing.assert_array_equal(found.offset, 0.0)


@pytest.mark.parametrize("seed", [3, 4])
def test_exposures_through_thin_cloud(seed):
    """Cloud takes 0 to 40 % of single frames, shutters are off by 5 %, and cloud scatters light.

    What is scattered lies over the frame as evenly as the sky, up to as bright again as the sky.
    """
    scene = Scene(960, 640, 120.0)
    rng = np.random.default_rng(seed)
    shots = []
    for shot in bracketed(scene, rng):
        cloud = rng.uniform(0.0, 0.4)
        haze = cloud / 0.4 * RATE * SKY * shot.exposure_s
        shots.append(replace(shot, factor=shot.factor * (1.0 - cloud), offset=haze))
    views = [scene.view(s, scene.frame(s, rng)) for s in shots]
    found = relative_exposures(register_frames(views, scene.grid))
    error = found.factor / np.array([s.factor for s in shots])
    error /= np.exp(np.log(error).mean())
    assert np.sqrt(np.mean((error - 1.0) ** 2)) < 0.003


def test_exposures_below_a_sky_that_tilts():
    """The shadow leaves: from first to last frame the sky's bright side changes over."""
    scene = Scene(960, 640, 120.0)
    rng = np.random.default_rng(5)
    along = 2.0 * (np.indices((640, 960))[1] / 960.0 - 0.5)
    shots = bracketed(scene, rng)
    tilts = np.linspace(-0.8, 0.8, len(shots))
    shots = [
        replace(s, offset=RATE * SKY * s.exposure_s * s.factor * tilt * along)
        for s, tilt in zip(shots, tilts, strict=True)
    ]
    views = [scene.view(s, scene.frame(s, rng)) for s in shots]
    found = relative_exposures(register_frames(views, scene.grid))
    error = found.factor / np.array([s.factor for s in shots])
    error /= np.exp(np.log(error).mean())
    assert np.sqrt(np.mean((error - 1.0) ** 2)) < 0.003
