"""Holes in a mask, against scipy's slow way of filling them."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from scipy import ndimage

from limbward.picture.holes import without_holes


@given(arrays(bool, array_shapes(min_dims=2, max_dims=2, max_side=12), elements=st.booleans()))
def test_holes_are_filled_as_scipy_fills_them(mask):
    assert np.array_equal(without_holes(mask), ndimage.binary_fill_holes(mask))


def test_a_bay_stays_open_and_an_enclosed_ring_does_not():
    y, x = np.mgrid[:60, :80]
    ring = np.abs(np.hypot(x - 40, y - 30) - 12) < 3
    mask = ~ring
    mask[:, :5] = False
    filled = without_holes(mask)
    assert filled[ring].all()
    assert not filled[:, :5].any()
