"""The noise found in frames against the noise put in."""

import numpy as np
import pytest

from limbward.radiance.noise import NoiseModel, measure_noise, nominal_noise
from tests.radiance.scene import Scene, Shot


@pytest.mark.parametrize(("gain", "read"), [(0.25, 2.0), (1.5, 6.0), (0.08, 1.0)])
def test_gain_and_read_noise_of_a_corona(gain, read):
    scene = Scene(900, 640, 130.0, gain=gain, read=read)
    rng = np.random.default_rng(5)
    frames = [scene.frame(Shot(e, 1.0, 450, 320), rng) for e in (1 / 500, 1 / 30, 0.5)]
    found = measure_noise(frames)
    assert found.gain == pytest.approx(gain, rel=0.1)
    assert found.read == pytest.approx(np.hypot(read, 12**-0.5), rel=0.1)


def test_unequal_pixels_do_not_pass_for_photon_noise():
    scene = Scene(900, 640, 130.0)
    rng = np.random.default_rng(6)
    unequal = 1.0 + 0.01 * rng.standard_normal((640, 900))
    frames = [scene.frame(Shot(e, 1.0, 450, 320), rng, unequal) for e in (1 / 500, 1 / 30, 0.5)]
    found = measure_noise(frames)
    assert found.gain == pytest.approx(0.25, rel=0.2)
    assert found.spread == pytest.approx(0.01, rel=0.2)


def test_a_frame_in_units_of_its_white_level():
    """Noise scales with the unit in which a file holds its numbers."""
    from dataclasses import replace

    scene = Scene(900, 640, 130.0, black=0.0)
    rng = np.random.default_rng(5)
    frames = [scene.frame(Shot(e, 1.0, 450, 320), rng) for e in (1 / 500, 1 / 30, 0.5)]
    scaled = [replace(f, data=(f.data / scene.white).astype(np.float32), white=1.0) for f in frames]
    plain, unit = measure_noise(frames), measure_noise(scaled)
    assert unit.gain * scene.white == pytest.approx(plain.gain, rel=0.05)


def test_dark_frames_alone_do_not_tell_the_gain():
    scene = Scene(200, 200, 30.0)
    assert measure_noise([scene.frame(Shot(1e-9), np.random.default_rng(1))]) is None


def test_variance_never_falls_below_that_of_black():
    model = NoiseModel(0.3, 2.0, 0.01)
    signal = np.array([-50.0, 0.0, 100.0], np.float32)
    np.testing.assert_allclose(model.variance(signal), [4.0, 4.0, 4.0 + 30.0 + 1.0])


def test_nominal_noise_follows_iso_and_range():
    low, high = nominal_noise(100, 16383), nominal_noise(800, 16383)
    assert high.gain == pytest.approx(8 * low.gain)
    assert nominal_noise(100, 1.0).read == pytest.approx(low.read / 16383)
