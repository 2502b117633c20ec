"""Calibrated frames against plain array arithmetic."""

import numpy as np
import pytest

from limbward.radiance.calibrate import find_hot, inverse_of_flat, mend
from tests.radiance.scene import RGGB, Scene, Shot


def test_hot_pixels_get_the_mean_of_their_colour_around():
    y, x = np.indices((40, 50))
    slope = (3 * x + 5 * y + 1000).astype(np.uint16)
    slope[y % 2 != x % 2] += 500  # another colour
    data = slope.copy()[None]
    hot = np.zeros((1, 40, 50), bool)
    hot[0, [10, 20, 0, 39], [10, 21, 30, 49]] = True
    hot[0, 10, 12] = True  # a neighbour of its colour is hot too
    dark = np.where(hot, 700.0, 600.0).astype(np.float32)
    data[hot] += 9000
    mend(data, hot, np.flatnonzero(hot), RGGB, dark)
    expected = slope + (dark[0] - 600.0)
    inner = [(20, 21)]
    for i, j in inner:
        assert data[0, i, j] == pytest.approx(expected[i, j], abs=1)
    for i, j in [(10, 10), (10, 12), (0, 30), (39, 49)]:  # the ring is not whole
        assert data[0, i, j] == pytest.approx(expected[i, j], abs=17)
    rest = ~hot[0]
    np.testing.assert_array_equal(data[0][rest], slope[rest])


def test_vignetting_and_pixel_spread_are_divided_out():
    """A flat of few photons gives its vignetting whole and of its grain the sensor's part."""
    rng = np.random.default_rng(4)
    y, x = np.indices((200, 300))
    vignette = 1.0 - 0.3 * ((x - 150) ** 2 + (y - 100) ** 2) / 180**2
    sensor = 1.0 + 0.004 * rng.standard_normal((200, 300))
    grain = 1.0 + 0.003 * rng.standard_normal((200, 300))
    inverse, left = inverse_of_flat(
        (vignette * sensor * grain).astype(np.float32), RGGB, noise=0.003
    )
    inner = (slice(20, -20), slice(20, -20))
    rest = (inverse * vignette * sensor)[inner]
    # The scale is that of the middle fifth, which the vignetting has already dimmed by a percent.
    assert rest.mean() == pytest.approx(1.0, abs=0.01)
    rest /= rest.mean()
    # Wiener: 0.004 * sqrt(1 - 0.64) is left, less than either doing nothing or trusting all.
    assert rest.std() == pytest.approx(0.0024, rel=0.15)
    assert left == pytest.approx(0.0024, rel=0.25)
    assert inverse[100, 150] == pytest.approx(1.0, abs=0.02)


def test_hot_pixels_are_found_and_a_star_is_kept():
    scene = Scene(300, 240, 50.0)
    rng = np.random.default_rng(7)
    frames = [scene.frame(Shot(0.25, 1.0, 150 + d, 120 + d), rng) for d in (0.0, 6.0)]
    rows, columns = np.indices((240, 300))
    away = np.hypot(columns - 153, rows - 123) > 80
    away[30:50, 30:50] = False
    away[:20] = away[-20:] = away[:, :20] = away[:, -20:] = False
    chosen = rng.choice(np.flatnonzero(away), 40, replace=False)
    y, x = np.unravel_index(chosen, away.shape)
    for frame in frames:
        frame.data[y, x] += 900
        # A star of 1500 ADU under a point spread of 0.8 pixels, at the same place in both.
        star = 1500 * np.exp(-((columns - 40.2) ** 2 + (rows - 40.3) ** 2) / (2 * 0.8**2))
        frame.data[...] += star.astype(np.uint16)
    hot = find_hot(frames)
    assert not hot[37:44, 37:44].any()
    assert hot[y, x].mean() > 0.9
    hot[y, x] = False
    assert hot.mean() < 1e-4
    assert find_hot(frames[:1]) is None
