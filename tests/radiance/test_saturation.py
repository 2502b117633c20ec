"""What is left out for saturation, against distances computed pixel by pixel."""

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from limbward.radiance.saturation import CORE_PX, KERNEL_REACH_PX, STRICT_PX, saturated_places
from limbward.radiance.taps import RADIUS
from tests.radiance.scene import RGGB

MONO = np.array([[1]], np.int8)
PLANES = np.empty((0, 0), np.int8)


def marked(data, pattern, bloom=1.0, ceiling=0.8):
    out = np.full(data.shape[1:], 255, np.uint8)
    rows = np.zeros(data.shape[1], bool)
    saturated_places(data, pattern, 100.0, 10100.0, ceiling, bloom, out, rows)
    assert (out[~rows] == 255).all()  # rows without any are not written
    out[~rows] = 0
    return np.stack([(out >> c) & 1 == 1 for c in range(3)])


@pytest.mark.parametrize("bloom", [0.0, 2.0, 9.0])
@pytest.mark.parametrize("pattern", [RGGB, MONO, PLANES])
def test_what_is_left_out_is_what_lies_near(bloom, pattern):
    """Clipped samples within the reach of the taps or the bloom, bent ones in the core."""
    rng = np.random.default_rng(2)
    n = 1 if pattern.size else 3
    data = np.full((n, 150, 95), 1000, np.uint16)
    for value in (10050, 8700):  # clipped; above the ceiling of 8100 and 5 %
        data[:, rng.integers(0, 150, 6), rng.integers(0, 95, 6)] = value
    data[:, 63:66, 40:50] = 10100  # across two pieces of work
    data[:, 90, 10:12] = 8200  # above the ceiling, as noise is
    found = marked(data, pattern, bloom)
    y, x = np.indices(data.shape[1:])
    for c in range(3):
        if pattern.size == 4:
            plane, mine = data[0], pattern[y % 2, x % 2] == c
        else:
            plane, mine = data[c % n], np.ones(y.shape, bool)
        clipped, bent = mine & (plane > 10000), mine & (plane > 100 + 0.8 * 1.05 * 10000)
        wide = distance_transform_edt(~clipped) <= max(STRICT_PX, KERNEL_REACH_PX + bloom)
        core = distance_transform_edt(~bent) <= CORE_PX
        np.testing.assert_array_equal(found[c], wide | core)


def test_the_strict_reach_covers_every_tap():
    """No clipped sample is part of a value: the corner of the square of taps is the farthest."""
    assert np.hypot(RADIUS, RADIUS) <= STRICT_PX


def test_missing_values_count_as_clipped():
    data = np.full((1, 16, 16), 200.0, np.float32)
    assert not marked(data, MONO).any()
    data[0, 3, 3] = np.nan
    found = marked(data, MONO)
    assert found[:, 1:6, 1:6].all()
    assert not found[:, 8:, 8:].any()


def test_each_colour_has_its_own_ceiling():
    data = np.full((3, 20, 20), 6000, np.uint16)
    found = marked(data, PLANES, ceiling=np.array([0.8, 0.5, 0.9]))
    assert found[1].all()
    assert not found[[0, 2]].any()
