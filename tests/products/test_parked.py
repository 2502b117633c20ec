"""Discs that other processes cut out, handed over in files without a name."""

import sys

import numpy as np
import pytest

from limbward.products import parked
from limbward.sequences.cut import Cut

SIDE = 9


def made_up():
    rng = np.random.default_rng(1)
    flat = rng.uniform(size=(2, SIDE, SIDE)) > [[[0.5]], [[0.7]]]
    return Cut(rng.uniform(size=(3, SIDE, SIDE)).astype("f4"), *flat)


def cutting(into=None):
    made = made_up()
    if into is None:
        return made
    for array, part in zip(into.arrays, made.arrays, strict=True):
        array[...] = part
    return into


@pytest.mark.skipif(sys.platform != "linux", reason="/proc")
def test_a_disc_is_what_was_cut_and_leaves_no_file(tmp_path):
    with parked.Lot(tmp_path) as lot:
        told = [parked.cut_into(lot.place(k), SIDE, cutting) for k in range(2)]
        found = [lot.fetch(k, one) for k, one in enumerate(told)]
        lot.place(2)  # never fetched
    assert not list(tmp_path.iterdir())
    for one in found:
        for array, part in zip(one.arrays, made_up().arrays, strict=True):
            np.testing.assert_array_equal(array, part)


def test_without_a_place_it_comes_as_it_is():
    told = parked.cut_into(None, SIDE, cutting)
    with parked.Lot(None) as lot:
        assert lot.fetch(0, told) is told
