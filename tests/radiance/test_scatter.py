"""SIGMA against scatter that is put in: between frames, and in a pattern that frames share."""

import numpy as np
import pytest

from limbward.geometry.disc import Disc
from limbward.radiance import taps
from limbward.radiance.batch import Batch
from limbward.radiance.calibrate import Calibration
from limbward.radiance.merge import Accumulator, MergeFrame, add_frames
from limbward.radiance.noise import NoiseModel
from limbward.radiance.scatter import Coarse, beyond_noise, widen

MONO = np.array([[1]], np.int8)
SIZE, LEVEL, READ = 96, 20000.0, 40.0
TAPS = taps.build(MONO)
NONE = np.zeros((3, 1, 1), np.float32)


def merged(gains, shifts, spread, rng, veil=None):
    """Return radiance and SIGMA of even frames with gains of their own, five at a time."""
    sums = Accumulator.empty(SIZE, SIZE)
    pattern = 1.0 + spread * rng.normal(size=(SIZE, SIZE)) if spread else 1.0
    frames = []
    for start in range(0, len(gains), 5):
        own = gains[start : start + 5]
        light = LEVEL * np.reshape(own, (-1, 1, 1, 1)) * pattern
        data = light + rng.normal(0, READ, (len(own), 1, SIZE, SIZE))
        blocked = np.zeros((len(own), SIZE, SIZE), np.uint8)
        batch = Batch(
            np.rint(data).astype(np.uint16), blocked, np.zeros((len(own), SIZE), bool),
            np.zeros((1, 1, 1), np.float32), TAPS, Calibration(),
        )  # fmt: skip
        those = [
            MergeFrame(
                affine=np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]]),
                exposure_s=1.0,
                offset=np.zeros(3),
                moon=Disc(-500.0, 0.0, 10.0),
                noise=NoiseModel(0.0, READ, spread),
                weight=np.ones((3, 1, 1), np.float32),
                veil=None if veil is None else veil[start + k],
            )
            for k, (dx, dy) in enumerate(shifts[start : start + 5])
        ]
        add_frames(sums, those, batch, NONE, NONE, np.zeros(3), 2.0)
        frames += those
    extra = beyond_noise(Coarse.of(sums), frames, TAPS, NONE, np.zeros(3))
    result = sums.result()
    widen(result.sigma, result.radiance, extra)
    return result


def middle(image):
    return image[1, 40:-40, 40:-40]


def test_what_differs_between_frames_is_part_of_sigma():
    """Gains that scatter by 2 %: the mean of twelve has an error of 2 % / sqrt(12)."""
    rng = np.random.default_rng(2)
    gains = rng.normal(1.0, 1.0, 12)
    gains = 1.0 + 0.02 * (gains - gains.mean()) / gains.std(ddof=1)
    result = merged(gains, [(0.0, 0.0)] * 12, 0.0, rng)
    stated = float(np.median(middle(result.sigma)))
    assert stated == pytest.approx(0.02 * LEVEL / np.sqrt(12), rel=0.15)


def test_frames_that_differ_by_noise_only_add_nothing():
    rng = np.random.default_rng(3)
    result = merged(np.ones(12), [(0.0, 0.0)] * 12, 0.0, rng)
    stated = float(np.median(middle(result.sigma)))
    power = float(TAPS.power[0, TAPS.power.shape[1] // 2 + 16, 1])
    assert stated == pytest.approx(READ * np.sqrt(power / 12), rel=0.05)
    assert np.std(middle(result.radiance)) == pytest.approx(stated, rel=0.25)


@pytest.mark.parametrize("moving", [False, True])
def test_a_pattern_that_frames_share_does_not_average_away(moving):
    """Pixels unequal by 2 %: a guided camera keeps all of it, one that drifts a part."""
    rng = np.random.default_rng(4)
    shifts = [(3.0 * k, 0.0) if moving else (0.0, 0.0) for k in range(12)]
    result = merged(np.ones(12), shifts, 0.02, rng)
    stated = float(np.median(middle(result.sigma)))
    true = float(np.std(middle(result.radiance)))
    assert stated == pytest.approx(true, rel=0.3)
    shared = 0.02 * LEVEL * np.sqrt(float(TAPS.power[..., 1].mean()))
    assert (stated < 0.5 * shared) if moving else (stated > 0.7 * shared)


def test_a_veil_is_lifted_before_frames_are_added():
    """Half the light of frame 0 behind cloud, and a sky of 500 of its own."""
    rng = np.random.default_rng(5)
    veil = np.zeros((2, 4, 1, 1), np.float32)
    veil[:, 0] = np.array([2.0, 1.0])[:, None, None]
    veil[0, 1:] = 500.0
    gains = np.array([0.5 * (1.0 + 500.0 / LEVEL), 1.0])
    result = merged(gains, [(0.0, 0.0)] * 2, 0.0, rng, veil)
    assert np.median(middle(result.radiance)) == pytest.approx(LEVEL, abs=0.001 * LEVEL)
