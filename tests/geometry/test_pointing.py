"""Directions in pictures, and what a person states of a camera's orientation."""

import numpy as np
import pytest

from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing, pointing_of

MEASURED = Pointing("Model", "1", Orientation(3.2, 40.0, mirrored=True), 0.02, 5.0)


@pytest.mark.parametrize("mirrored", [False, True])
def test_position_angles_grow_from_north_through_east(mirrored):
    """North up: north is up; east is left on the sky, right in a mirror image."""
    camera = Orientation(2.0, 0.0, mirrored)
    assert camera.towards(0.0) == pytest.approx((0.0, -1.0))
    assert camera.towards(90.0) == pytest.approx((1.0 if mirrored else -1.0, 0.0))
    a = np.radians(130.0)
    turned = Orientation(2.0, 70.0, mirrored)
    ahead = np.array(turned.to_pixels(2.0 * np.sin(a), 2.0 * np.cos(a)))
    assert turned.towards(130.0) == pytest.approx(tuple(ahead))


def test_what_is_stated_replaces_what_was_measured_and_no_more():
    found = pointing_of([MEASURED], ("Model", "1"), up_position_angle=41.0)
    assert found.orientation == Orientation(3.2, 41.0, mirrored=True)
    assert found.rotation_deg_per_hour == 5.0
    scaled = pointing_of([MEASURED], ("Model", "1"), pixel_scale_arcsec=3.3)
    assert scaled.orientation == Orientation(3.3, 40.0, mirrored=True)


def test_a_camera_that_was_not_measured_needs_both_stated():
    body = ("Model", "2")
    assert pointing_of([MEASURED], body, up_position_angle=41.0) is None
    assert pointing_of([MEASURED], body, pixel_scale_arcsec=3.0) is None
    both = pointing_of([MEASURED], body, up_position_angle=41.0, pixel_scale_arcsec=3.0)
    assert both.orientation == Orientation(3.0, 41.0)
