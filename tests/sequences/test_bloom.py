"""The glow drawn where the sensor was saturated: the same in a large picture, and where it ends."""

import tracemalloc

import numpy as np
import pytest

from limbward.sequences.bloom import bloomed
from limbward.sequences.cut import Cut


def diamond(side, at, radius):
    """Return a cut in which light falls off around a bead, clipped within a radius."""
    y, x = np.indices((side, side), dtype=np.float32)
    r = np.hypot(x - at[0], y - at[1])
    light = np.minimum(np.exp(-0.15 * (r - radius)), 1.0).astype(np.float32) + np.float32(0.01)
    return Cut(np.stack([light, 0.9 * light, 0.8 * light]), r < radius)


@pytest.mark.parametrize("pixel", [1.0, 2.5])
@pytest.mark.parametrize("radius", [3.0, 15.0])
def test_a_larger_field_changes_nothing(pixel, radius):
    small = diamond(201, (100, 100), radius)
    large = diamond(801, (300, 500), radius)
    found = bloomed(large, pixel)
    part = np.s_[:, 400:601, 200:401]
    np.testing.assert_allclose(found[part], bloomed(small, pixel), rtol=2e-6)
    away = np.ones((801, 801), bool)
    away[400:601, 200:401] = False
    np.testing.assert_allclose(found[:, away], large.picture[:, away], rtol=2e-6)


def test_light_goes_on_inwards_and_what_was_cut_is_left_as_it_was():
    made = diamond(301, (150, 150), 12.0)
    before = made.picture.copy()
    found = bloomed(made)
    np.testing.assert_array_equal(made.picture, before)
    row = found[1, 150]
    assert (np.diff(row[138:150]) > 0).all()
    assert row[150] > 2.0


def test_a_small_bead_takes_no_memory_of_the_size_of_the_picture():
    made = diamond(1600, (800, 800), 10.0)
    tracemalloc.start()
    bloomed(made)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1.5 * made.picture.nbytes  # of which one is the result
