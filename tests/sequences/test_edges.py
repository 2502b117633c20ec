"""The edge of a prominence in a blurred picture."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.special import ndtr

from limbward.sequences.edges import (
    ROUNDS,
    Unrolled,
    end_sigma,
    ends,
    left_of,
    rounds_within,
    sharpened,
)

ANGLE, HEIGHT = np.arange(40.0), np.arange(0.0, 120.0, 0.25)


def unrolled(light, blur, contour=False, least=0.01):
    return Unrolled(ANGLE, HEIGHT, light, least, 1.0, blur, contour)


def steep(top, blur, bright=0.05):
    """A pillar that ends at a height, behind a Gaussian blur: the error function."""
    return np.broadcast_to(bright * ndtr((top - HEIGHT) / blur), (40, HEIGHT.size))


@pytest.mark.parametrize("contour", [False, True])
@pytest.mark.parametrize("blur", [0.7, 2.0, 5.0])
def test_a_steep_end_is_where_it_is_in_any_seeing(blur, contour):
    u = unrolled(steep(60.3, blur), blur, contour)
    # A difference of squares: a step of heights that is off by 0.005 is 0.15 in its root.
    assert ends(u, u.light, 0.01, blur) == pytest.approx(60.3, abs=0.15 if contour else 0.05)


def test_a_slow_end_is_a_contour_in_any_seeing():
    """Exponential, 15 arcsec to a factor of e: blur hardly moves it, and nothing is taken off."""
    light = 0.5 * np.exp(-HEIGHT / 15.0)
    true = 15.0 * np.log(50.0)
    for blur in (0.5, 2.0):
        seen = np.tile(gaussian_filter1d(light, blur / 0.25, mode="nearest"), (40, 1))
        u = unrolled(seen, blur, contour=True)
        assert ends(u, u.light, 0.01, blur) == pytest.approx(true, abs=0.3)


def test_light_whose_end_is_out_of_sight_has_none():
    light = np.array(steep(60.0, 1.0))
    light[:, HEIGHT > 50.0] = np.nan
    u = unrolled(light, 1.0)
    assert (ends(u, light, 0.01, 1.0) == 0.0).all()


@pytest.mark.parametrize("contour", [False, True])
def test_light_that_reaches_beyond_the_last_height_has_no_end_either(contour):
    u = unrolled(steep(200.0, 5.0), 5.0, contour)
    assert not ends(u, u.light, 0.01, 5.0).any()


def test_an_end_that_fainter_threads_may_have_out_of_sight_is_not_known():
    u = unrolled(steep(114.0, 5.0), 5.0)
    reach = ends(u, u.light, 0.01, 5.0)
    assert reach == pytest.approx(114.0, abs=2.0)
    assert end_sigma(u, np.arange(3), reach) > 30.0


def test_sharpening_takes_a_known_blur_out():
    x = np.arange(120.0)
    wave = np.cos(2 * np.pi * x / 12.0)[None, :] * np.ones((60, 1))
    seen = gaussian_filter(wave, 2.0, mode="wrap")
    kept = np.exp(-2.0 * (np.pi * 2.0 / 12.0) ** 2)
    assert np.ptp(seen[30, 30:90]) == pytest.approx(2.0 * kept, rel=0.01)
    sharp = sharpened(seen.astype(np.float32), 2.0)
    assert np.ptp(sharp[30, 30:90]) == pytest.approx(2 - 2 * (1 - kept) ** 6, rel=0.01)


def test_sharpening_beside_what_is_not_known_leaves_a_level_alone():
    plane = np.full((40, 40), 3.0, np.float32)
    plane[:, :13] = np.nan
    sharp = sharpened(plane, 1.5)
    assert np.isnan(sharp[:, :13]).all()
    assert np.allclose(sharp[:, 13:], 3.0, atol=1e-3)


def test_what_blur_is_left_halves_the_wave_that_sharpening_halves():
    left = left_of(3.0, ROUNDS)
    wave = np.sqrt(np.log(2.0) / 2.0) / (np.pi * left)  # a Gaussian's half, waves a pixel
    passed = 1.0 - (1.0 - np.exp(-2.0 * (np.pi * 3.0 * wave) ** 2)) ** (ROUNDS + 1)
    assert passed == pytest.approx(0.5, abs=1e-6)
    assert left_of(3.0, 0) == pytest.approx(3.0)
    assert left_of(0.1, ROUNDS) == 0.375  # pixels show no more


def test_a_blur_of_half_a_pixel_is_taken_out_as_the_integral_that_it_is():
    """A wave of 2.5 pixels keeps exp(-2 (pi 0.5 / 2.5)^2) of itself, less than by samples."""
    x = np.arange(200.0)
    kept = np.exp(-2.0 * (np.pi * 0.5 / 2.5) ** 2)
    wave = np.cos(2 * np.pi * x / 2.5)[None, :] * np.ones((60, 1))
    sharp = sharpened((kept * wave).astype(np.float32), 0.5, 5)
    whole = 1 - (1 - kept) ** 6
    assert sharp[30, 50:150] == pytest.approx(whole * wave[30, 50:150], abs=0.005)


def test_a_noisy_picture_is_sharpened_less():
    found = [rounds_within(n, 0.01, 1.0) for n in (0.0, 1e-4, 4e-4, 0.01)]
    assert found == sorted(found, reverse=True)
    assert (found[0], found[-1]) == (ROUNDS, 0)
    grain = np.random.default_rng(1).normal(0.0, 4e-4, (256, 256)).astype(np.float32)
    for rounds in found[2:3]:
        assert 0 < rounds < ROUNDS
        assert sharpened(grain, 1.0, rounds).std() < 0.01 / 8.0
        assert sharpened(grain, 1.0, rounds + 1).std() > 0.01 / 8.0


def test_the_error_holds_a_needle_that_blur_hides():
    """A knot above the rest, 2 arcsec wide and a little brighter than the least: blur dims it."""
    sharp_light = np.array(steep(40.0, 0.3))
    knot = 0.02 * np.exp(-(((HEIGHT - 60.0) / 2.0) ** 2) / 2.0)
    for blur in (0.5, 4.0):
        light = gaussian_filter1d(sharp_light + knot, blur / 0.25, axis=1)
        u = unrolled(light, blur)
        reach = ends(u, light, 0.01, blur)
        off = reach.max() - (60.0 + 2.0 * np.sqrt(2.0 * np.log(2.0)))
        assert abs(off) < (0.3 if blur < 1.0 else 25.0)
        assert abs(off) < 2.0 * end_sigma(u, np.arange(40), reach)
