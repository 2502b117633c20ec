"""Cloud that passes, told from shutters that err, against what was put in."""

import numpy as np
import pytest

from limbward.radiance.passing import passing_cloud

N = 48


def session(cloud, seed=4):
    """Return factors, exposures and times of brackets under cloud of a given change."""
    rng = np.random.default_rng(seed)
    exposure = np.tile([1 / 250, 1 / 60, 1 / 15, 1 / 4], N // 4)
    time = 4.0 * np.arange(N) - 90.0
    setting = {e: rng.normal(0.0, 0.05) for e in exposure}
    dim = cloud * np.sqrt(2.0) * np.sin(2 * np.pi * time / 150.0 + 0.4)
    log = dim + rng.normal(0.0, 0.03, N) + np.array([setting[e] for e in exposure])
    return np.exp(log), exposure, time


@pytest.mark.parametrize("cloud", [0.04, 0.15])
def test_cloud_that_lasts_is_measured_below_shutters_that_err(cloud):
    assert passing_cloud(*session(cloud)) == pytest.approx(cloud, rel=0.3)


def test_shutters_alone_are_no_cloud():
    found = [passing_cloud(*session(0.0, seed)) for seed in range(20)]
    assert np.median(found) < 0.006
    assert max(found) < 0.02


def test_the_order_is_that_of_time_and_unknown_times_are_left_out():
    factor, exposure, time = session(0.1)
    order = np.random.default_rng(1).permutation(N)
    shuffled = passing_cloud(factor[order], exposure[order], time[order])
    assert shuffled == pytest.approx(passing_cloud(factor, exposure, time))
    time[::7] = np.nan
    assert passing_cloud(factor, exposure, time) == pytest.approx(0.1, rel=0.3)


def test_few_frames_tell_nothing():
    factor, exposure, time = (values[:12] for values in session(0.2))
    assert passing_cloud(factor, exposure, time) == 0.0
