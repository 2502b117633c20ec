from dataclasses import replace

import numpy as np
import pytest

from limbward.simulate.cloud import Cloud, exposed, transmission

CLOUD = Cloud(absorption=0.5)
EAST, NORTH = np.meshgrid(np.arange(-4000.0, 4001.0, 100.0), np.arange(-3000.0, 3001.0, 100.0))


def test_no_cloud_takes_nothing():
    assert (transmission(Cloud(), 1, EAST, NORTH, (0.0, 0.0)) == 1.0).all()


def test_gain_stays_between_the_thickest_cloud_and_clear_sky():
    gain = transmission(CLOUD, 1, EAST * 10, NORTH * 10, (0.0, 0.0))
    assert gain.min() >= 0.5
    assert gain.max() <= 1.0
    assert gain.min() < 0.55
    # Six tenths of the sky have cloud; the thin rims of patches count as clear here.
    assert 0.4 < (gain < 0.999).mean() < 0.65


def test_depths_multiply():
    """Half as much light through one cloud: a thickness that takes 50 % takes 75 % twice."""
    once = transmission(CLOUD, 1, EAST, NORTH, (0.0, 0.0))
    twice = transmission(replace(CLOUD, absorption=0.75), 1, EAST, NORTH, (0.0, 0.0))
    assert twice == pytest.approx(once**2, rel=1e-9)


def test_the_pattern_drifts_with_the_wind():
    before = transmission(CLOUD, 1, EAST, NORTH, CLOUD.shift_arcsec(0.0))
    moved = (EAST - 158.0 * 7.0, NORTH + 86.0 * 7.0)
    after = transmission(CLOUD, 1, *moved, CLOUD.shift_arcsec(7.0))
    assert after == pytest.approx(before, abs=1e-9)
    assert np.ptp(before) > 0.1


def test_cloud_has_no_structure_smaller_than_it_should():
    line = np.arange(0.0, 60000.0, 15.0)
    gain = transmission(CLOUD, 1, line, np.zeros_like(line), (0.0, 0.0))
    power = np.abs(np.fft.rfft(gain - gain.mean())) ** 2
    period = 1.0 / np.maximum(np.fft.rfftfreq(len(line), 15.0), 1e-9)
    assert power[period < 180.0].sum() < 1e-3 * power.sum()


def test_a_long_exposure_sees_the_mean():
    exposure = 3.0
    many = np.mean(
        [
            transmission(CLOUD, 2, EAST, NORTH, CLOUD.shift_arcsec(t))
            for t in np.linspace(0.0, exposure, 400)
        ],
        axis=0,
    )
    seen = exposed(CLOUD, 2, EAST, NORTH, (0.0, 0.0), exposure)
    assert seen == pytest.approx(many, abs=3e-3)
    still = transmission(CLOUD, 2, EAST, NORTH, (0.0, 0.0))
    assert np.abs(still - many).max() > 0.02


def test_another_seed_is_another_sky():
    one, other = (transmission(CLOUD, s, EAST, NORTH, (0.0, 0.0)) for s in (1, 2))
    assert np.abs(one - other).max() > 0.2
