"""Which camera is meant."""

import numpy as np
import pytest

from limbward.camera.choice import camera_of_most

BODIES = [("A", "1"), ("A", "2"), ("A", "2"), ("B", "3"), ("B", "3"), ("B", "3")]


def test_the_camera_with_most_usable_frames_is_taken():
    every = np.ones(6, bool)
    assert camera_of_most(BODIES, every) == ("B", "3")
    assert camera_of_most(BODIES, np.array([1, 1, 1, 1, 0, 0], bool)) == ("A", "2")
    assert camera_of_most(BODIES, every, "a") == ("A", "2")
    assert camera_of_most(BODIES, every, "1") == ("A", "1")
    assert camera_of_most(BODIES, np.zeros(6, bool)) is None
    with pytest.raises(LookupError, match=r"called 'C'; there are A \(1\), A \(2\), B \(3\)\.$"):
        camera_of_most(BODIES, every, "C")


def test_a_model_that_was_split_into_bodies_is_meant_by_its_own_name():
    bodies = [("One (800 mm)", ""), ("One (400 mm)", ""), ("One (400 mm)", ""), ("Oneida (x)", "")]
    assert camera_of_most(bodies, np.ones(4, bool), "one") == ("One (400 mm)", "")
