"""Angles that turn over, against astropy's."""

import numpy as np
import pytest
from astropy.coordinates import Angle
from hypothesis import given
from hypothesis import strategies as st

from limbward.geometry.angle import half_turn

ANGLES = st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=20)


@given(ANGLES)
def test_directions_are_those_of_astropy(degrees):
    array = np.array(degrees)
    wrapped = half_turn(array)
    assert (wrapped >= -180.0).all()
    assert (wrapped <= 180.0).all()
    theirs = Angle(array, "deg").wrap_at("180d").deg
    assert (np.abs(np.sin(np.radians(wrapped - theirs) / 2)) < 1e-9).all()


@pytest.mark.parametrize(
    ("degrees", "wrapped"),
    [(0.0, 0.0), (179.0, 179.0), (180.0, -180.0), (350.0, -10.0), (-190.0, 170.0), (725.0, 5.0)],
)
def test_half_a_turn_at_most(degrees, wrapped):
    assert half_turn(degrees) == pytest.approx(wrapped)
