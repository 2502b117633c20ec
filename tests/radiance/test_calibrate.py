"""Calibrated frames against plain array arithmetic."""

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from limbward.camera.frame import RawFrame
from limbward.radiance.calibrate import Calibration, calibrate, find_hot, inverse_of_flat
from tests.radiance.scene import RGGB, Scene, Shot

BLACK = np.array([[500.0, 510.0], [520.0, 530.0]], np.float32)


def raw(data, pattern=RGGB, black=BLACK):
    return RawFrame(data, pattern, black, 16000.0, np.ones(3, np.float32), np.eye(3, dtype="f4"))


def test_black_flat_dark_and_hot():
    rng = np.random.default_rng(1)
    data = rng.integers(400, 9000, (40, 50)).astype(np.uint16)
    flat = rng.uniform(0.8, 1.2, (40, 50)).astype(np.float32)
    hot = rng.uniform(size=(40, 50)) < 0.01
    out = calibrate(raw(data), Calibration(inverse_flat=flat, hot=hot))
    expected = (data - np.tile(BLACK, (20, 25))) * flat
    expected[hot] = np.nan
    np.testing.assert_allclose(out[0], expected, rtol=1e-6)
    dark = rng.uniform(480, 560, (40, 50)).astype(np.float32)
    out = calibrate(raw(data), Calibration(dark=dark))
    np.testing.assert_allclose(out[0], data - dark, rtol=1e-5, atol=1e-3)


@pytest.mark.parametrize("radius", [0.0, 1.0, 2.0, 3.5])
def test_bloom_is_a_distance_from_saturation(radius):
    rng = np.random.default_rng(2)
    data = np.full((60, 70), 1000, np.uint16)
    data[rng.integers(0, 60, 9), rng.integers(0, 70, 9)] = 16000
    data[20:40, 30:50] = 15990
    out = calibrate(raw(data), Calibration(), 0.9, radius)
    near = distance_transform_edt(data < 15000) <= (radius if radius >= 1 else 0)
    np.testing.assert_array_equal(np.isinf(out[0]), near)


def test_three_planes():
    data = np.arange(3 * 8 * 9, dtype=np.uint16).reshape(3, 8, 9) + 600
    black = np.array([500, 501, 502], np.float32)
    out = calibrate(raw(data, np.empty((0, 0), np.int8), black), Calibration())
    np.testing.assert_array_equal(out, data - black[:, None, None])


def test_saturation_counts_from_black():
    data = np.array([[515 + 13900, 515 + 13950]] * 2, np.uint16)
    out = calibrate(raw(data), Calibration(), saturation=13936 / 15485, bloom_px=0)
    assert np.isfinite(out[0, :, 0]).all()
    assert np.isinf(out[0, :, 1]).all()


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
        # A star of 1500 DN under a point spread of 0.8 pixels, at the same place in both.
        star = 1500 * np.exp(-((columns - 40.2) ** 2 + (rows - 40.3) ** 2) / (2 * 0.8**2))
        frame.data[...] += star.astype(np.uint16)
    hot = find_hot(frames)
    assert not hot[37:44, 37:44].any()
    assert hot[y, x].mean() > 0.9
    hot[y, x] = False
    assert hot.mean() < 1e-4
    assert find_hot(frames[:1]) is None
