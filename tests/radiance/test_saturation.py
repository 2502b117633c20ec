"""What is left out for saturation, against distances computed pixel by pixel."""

import numpy as np
import pytest
from scipy.ndimage import distance_transform_edt

from limbward.radiance.saturation import saturated_places
from limbward.radiance.taps import RADIUS
from tests.radiance.scene import RGGB

# Promised: no clipped sample in the square of taps, none above the ceiling beside the nearest pixel
# and the bloom counted from where 99 % of the weight ends.
STRICT_PX, CORE_PX, KERNEL_REACH_PX = 2.0 * np.sqrt(2.0), 1.0, 1.2

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


@pytest.mark.parametrize(("value", "bent"), [(8499, False), (8501, True)])
def test_above_the_ceiling_begins_five_percent_above_it(value, bent):
    """Of a range of 10000 above 100, with a ceiling of 0.8: nearer it, noise would be cut."""
    data = np.full((1, 16, 16), 1000, np.uint16)
    data[0, 8, 8] = value
    assert marked(data, MONO).any() == bent


@pytest.mark.parametrize(("value", "reach"), [(9990, 1.0), (10010, 2.0 * np.sqrt(2.0))])
def test_clipping_begins_one_percent_below_the_white_level(value, reach):
    """What clips is kept out of all taps, what is bent only out of the core."""
    data = np.full((1, 16, 16), 1000, np.uint16)
    data[0, 8, 8] = value
    y, x = np.nonzero(marked(data, MONO, bloom=0.0)[1])
    assert np.hypot(y - 8, x - 8).max() == pytest.approx(reach)
