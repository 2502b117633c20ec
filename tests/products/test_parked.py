"""Discs that other processes cut out, handed over in files without a name."""

import sys

import numpy as np
import pytest

from limbward.products import parked
from limbward.sequences.cut import Cut

SIDE = 9


@pytest.mark.skipif(sys.platform != "linux", reason="/proc")
@pytest.mark.parametrize("white", [True, False])
def test_a_disc_is_what_was_cut_and_leaves_no_file(tmp_path, white):
    rng = np.random.default_rng(1)
    made = Cut(
        rng.uniform(size=(3, SIDE, SIDE)).astype("f4"),
        rng.uniform(size=(SIDE, SIDE)) > 0.5,
        rng.uniform(size=(SIDE, SIDE)) > 0.7 if white else None,
    )
    with parked.Lot(tmp_path) as lot:
        told = [parked.cut_into(lot.place(k), lambda: made) for k in range(2)]
        found = [lot.fetch(k, one) for k, one in enumerate(told)]
        lot.place(2)  # never fetched
    assert not list(tmp_path.iterdir())
    for one in found:
        np.testing.assert_array_equal(one.picture, made.picture)
        np.testing.assert_array_equal(one.clipped, made.clipped)
        assert (one.white is None) is not white
        if white:
            np.testing.assert_array_equal(one.white, made.white)


def test_without_a_place_it_comes_as_it_is():
    made = Cut(np.zeros((3, SIDE, SIDE), np.float32), np.zeros((SIDE, SIDE), bool))
    told = parked.cut_into(None, lambda: made)
    with parked.Lot(None) as lot:
        assert lot.fetch(0, told) is made
