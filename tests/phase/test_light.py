"""Levels measured in made pictures of known brightness."""

import numpy as np
import pytest

from limbward.camera.luminance import Plane
from limbward.phase.light import brightest, light_of

MOON = (121.0, 97.0, 60.0)  # full raw pixels; the plane has one in two


def plane_of(image, clipped=None):
    saturated = np.zeros(image.shape, bool) if clipped is None else clipped
    return Plane(image.astype(np.float32), saturated, 2.0, (0.5, 0.5))


def polar():
    y, x = np.mgrid[:100, :120].astype(float)
    dx, dy = 2 * x + 0.5 - MOON[0], 2 * y + 0.5 - MOON[1]
    return np.hypot(dx, dy) / MOON[2], np.degrees(np.arctan2(dy, dx))


def corona(scattered=5.0):
    distance, angle = polar()
    lit = 100.0 + 50.0 * np.cos(np.radians(2 * angle))
    return np.where(distance > 1.0, lit, 0.0) + scattered


def test_levels_are_fractions_of_the_range_above_what_is_scattered_onto_the_moon():
    light = light_of(plane_of(corona()), 1000.0, MOON)
    assert light.limb_level == pytest.approx(0.100, abs=0.004)
    assert light.limb_faintest == pytest.approx(0.0525, abs=0.003)  # 100 - 50 cos 18 degrees
    assert light.limb_peak == pytest.approx(0.150, abs=0.002)
    assert light.peak == pytest.approx(0.155, abs=0.002)


def test_a_bead_of_three_pixels_is_the_peak_and_hot_pixels_are_none():
    image = corona()
    image[20, 20] = 900.0  # alone
    image[48, 90:93] = 700.0  # at the limb: x of 182 is 1.02 radii from the Moon's centre
    light = light_of(plane_of(image), 1000.0, MOON)
    assert light.limb_peak == pytest.approx(0.695, abs=1e-3)
    assert light.peak == pytest.approx(0.700, abs=1e-3)
    assert light.limb_level == pytest.approx(0.100, abs=0.004)


def test_clipped_pixels_count_as_the_whole_range():
    distance, _ = polar()
    light = light_of(plane_of(corona(), (distance > 1.0) & (distance < 1.2)), 1000.0, MOON)
    assert light.peak == 1.0
    assert light.limb_level == pytest.approx(0.995, abs=1e-3)


@pytest.mark.parametrize("moon", [None, (-900.0, 40.0, 60.0), (121.0, 97.0, 0.4)])
def test_without_a_moon_in_the_picture_there_is_no_limb(moon):
    light = light_of(plane_of(corona()), 1000.0, moon)
    assert np.isnan([light.limb_peak, light.limb_level, light.limb_faintest]).all()
    assert light.peak == pytest.approx(0.155, abs=0.002)


@pytest.mark.parametrize(("rows", "columns", "many"), [(100, 120, 50), (7, 90, 4), (33, 41, 1353)])
@pytest.mark.parametrize("ceiling", [np.inf, 1.0])
def test_the_brightest_are_those_that_sorting_finds(rows, columns, many, ceiling):
    image = np.random.default_rng(rows).normal(0, 1, (rows, columns)).astype(np.float32)
    image = np.minimum(image, np.float32(ceiling))
    image[image < -0.5] = -np.inf
    y, x = brightest(image, many)
    assert len({*zip(y.tolist(), x.tolist(), strict=True)}) == many
    np.testing.assert_array_equal(np.sort(image[y, x]), np.sort(image, axis=None)[-many:])
