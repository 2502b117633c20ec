"""Where the line between noise and an outlier is drawn, to three percent on both sides.

What may differ, squared: 36 times the variance of the value and of what it is compared with, 5 % of
the radiance, and 36 times the scatter of all frames but the two that differ most.
"""

from itertools import product

import numpy as np
import pytest

from limbward.geometry.disc import Disc
from limbward.radiance import taps
from limbward.radiance.batch import Batch
from limbward.radiance.calibrate import Calibration
from limbward.radiance.kernels.outliers import NETWORK, SORTED
from limbward.radiance.merge import Accumulator, MergeFrame, add_frames
from limbward.radiance.noise import NoiseModel
from tests.radiance.reference import taps_at

MONO = np.array([[1]], np.int8)
LEVEL = 20000
SIZE = 16  # pixels: at the edges weights fade, in all frames alike
NOISY = NoiseModel(0.0, 500.0)
CLEAN = NoiseModel(0.0, 0.5)
POWER = float((taps_at(MONO, 1, 0, 0, 0.0, 0.0)[2] ** 2).sum())


def added(sums, levels, noise):
    """Add frames that are even but for noise that nobody has put in."""
    n = len(levels)
    data = np.empty((n, 1, SIZE, SIZE), np.uint16)
    data[...] = np.reshape(levels, (n, 1, 1, 1))
    blocked = np.zeros((n, SIZE, SIZE), np.uint8)
    black = np.zeros((1, 1, 1), np.float32)
    rows = np.zeros((n, SIZE), bool)
    batch = Batch(data, blocked, rows, black, taps.build(MONO), Calibration())
    frame = MergeFrame(
        affine=np.eye(2, 3),
        exposure_s=0.5,
        offset=np.zeros(3),
        moon=Disc(-500.0, 0.0, 10.0),
        noise=noise,
        weight=np.ones((3, 1, 1), np.float32),
    )
    none = np.zeros((3, 1, 1), np.float32)
    add_frames(sums, [frame] * n, batch, none, none, np.zeros(3), 2.0)


def used(*batches, noise):
    """Return how many frames were used in the middle, the batches merged one after the other."""
    sums = Accumulator.empty(SIZE, SIZE)
    for levels in batches:
        added(sums, [LEVEL + round(v) for v in levels], noise)
    return int(sums.count[SIZE // 2, SIZE // 2])


@pytest.mark.parametrize("noise", [NOISY, CLEAN])
@pytest.mark.parametrize("sign", [-1, 1])
def test_one_of_five_against_their_median(noise, sign):
    limit = sign * np.sqrt(36.0 * noise.read**2 * POWER + (0.05 * LEVEL) ** 2)
    assert used([0, 0, 0.97 * limit, 0, 0], noise=noise) == 5
    assert used([0, 0, 1.03 * limit, 0, 0], noise=noise) == 4


@pytest.mark.parametrize("noise", [NOISY, CLEAN])
def test_one_more_against_the_mean_of_five(noise):
    """The mean of five has a fifth of the variance of one: it counts too."""
    limit = np.sqrt(36.0 * noise.read**2 * POWER * (1.0 + 1.0 / 5.0) + (0.05 * LEVEL) ** 2)
    assert used([0] * 5, [0.97 * limit], noise=noise) == 6
    assert used([0] * 5, [1.03 * limit], noise=noise) == 5


def test_where_all_frames_differ_more_is_allowed():
    """36 times the mean square of the three that are left when the two worst are set aside."""
    scatter = 600.0
    own = 36.0 * CLEAN.read**2 * POWER + (0.05 * LEVEL) ** 2
    limit = np.sqrt(own + 36.0 * (0.0 + scatter**2 + scatter**2) / 3.0)
    inner = [0, scatter, -scatter]
    assert used([*inner, 0.97 * limit, -0.97 * limit], noise=CLEAN) == 5
    assert used([*inner, 1.03 * limit, -1.03 * limit], noise=CLEAN) == 3


@pytest.mark.parametrize("first", [1, 2, 3])
def test_five_frames_judge_however_they_come(first):
    """The median of those at hand and of the mean before, if it is one of three or more values."""
    others = [0] * (4 - first) + [5000]
    assert used([0] * first, others, noise=CLEAN) == 4  # of five, one is left out
    assert used([0] * first, others[1:], noise=CLEAN) == 4  # of four, none


def test_two_values_do_not_judge_each_other():
    """Four frames merged and a fifth that differs: no telling which is wrong."""
    assert used([0] * 4, [5000], noise=CLEAN) == 5


def test_sigma_of_a_negative_signal_is_that_of_black():
    """Below black there is no light that could have noise, nor pixels unequal in taking it."""
    sums = Accumulator.empty(SIZE, SIZE)
    noise = NoiseModel(0.3, 2.0, 0.1)
    black = np.full((1, 1, 1), 1000.0, np.float32)
    data = np.full((1, 1, SIZE, SIZE), 900, np.uint16)
    rows, blocked = np.zeros((1, SIZE), bool), np.zeros((1, SIZE, SIZE), np.uint8)
    batch = Batch(data, blocked, rows, black, taps.build(MONO), Calibration())
    frame = MergeFrame(
        np.eye(2, 3), 0.5, np.zeros(3), Disc(-500.0, 0.0, 10.0), noise,
        np.ones((3, 1, 1), np.float32),
    )  # fmt: skip
    none = np.zeros((3, 1, 1), np.float32)
    add_frames(sums, [frame], batch, none, none, np.zeros(3), 2.0)
    result = sums.result()
    middle = np.s_[:, SIZE // 2, SIZE // 2]
    np.testing.assert_allclose(result.radiance[middle], -100.0 / 0.5, rtol=1e-5)
    np.testing.assert_allclose(result.sigma[middle], 2.0 * np.sqrt(POWER) / 0.5, rtol=1e-4)


def test_the_network_sorts_whatever_comes():
    """What sorts all rows of 0 and 1 sorts any; six need 12 steps at least (Knuth, 5.3.4)."""
    for values in product((0, 1), repeat=SORTED):
        row = list(values)
        for low, high in NETWORK:
            row[low], row[high] = min(row[low], row[high]), max(row[low], row[high])
        assert row == sorted(values)
    assert len(NETWORK) == 12
