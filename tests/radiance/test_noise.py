"""The noise found in frames against the noise put in."""

import numpy as np
import pytest

from limbward.radiance.noise import NoiseModel, measure_noise, measure_pairs, nominal_noise
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


@pytest.mark.parametrize(("gain", "read"), [(0.25, 2.0), (1.5, 6.0)])
def test_pairs_of_flats_and_darks_give_the_photon_transfer(gain, read):
    """Vignetting and the pixels' own sensitivities drop out of the difference of a pair."""
    rng = np.random.default_rng(7)
    x = np.arange(400.0)[None, :] + np.zeros((300, 1))
    fixed = (1.0 + 0.01 * rng.standard_normal(x.shape)) * (1.0 - 0.3 * ((x - 200) / 200.0) ** 2)

    def exposed(level):
        electrons = rng.poisson(level * fixed / gain)
        signal = electrons * gain + rng.normal(0, read, x.shape) + 512
        scene = Scene(400, 300, 50.0)
        frame = scene.frame(Shot(1e-9), np.random.default_rng(1))
        frame.data[...] = np.clip(np.rint(signal), 0, 16000)
        return frame

    pairs = [(exposed(v), exposed(v), (0, 0)) for v in (0.0, 1000.0, 9000.0)]
    found = measure_pairs(pairs)
    assert found.gain == pytest.approx(gain, rel=0.05)
    assert found.read == pytest.approx(np.hypot(read, 12**-0.5), rel=0.05)
    assert found.spread < 0.004


def test_pairs_of_a_corona_that_has_moved():
    scene = Scene(900, 640, 130.0)
    rng = np.random.default_rng(5)
    pairs = []
    for e in (1 / 500, 1 / 30, 0.5):
        a = scene.frame(Shot(e, 1.0, 450.0, 320.0), rng)
        b = scene.frame(Shot(e, 1.0, 456.4, 317.8), rng)
        pairs.append((a, b, (-1, 3)))
    found = measure_pairs(pairs)
    assert found.gain == pytest.approx(0.25, rel=0.1)
    assert found.read == pytest.approx(np.hypot(2.0, 12**-0.5), rel=0.1)
