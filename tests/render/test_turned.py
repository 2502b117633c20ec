"""Turned and cropped pictures: what they show is where it was, at any size."""

import numpy as np
import pytest

from limbward.geometry.disc import Disc
from limbward.render.rotate import inner_size
from limbward.render.turned import Turn, valid_area

SIDE = 240
SUN = Disc(119.5, 119.5, 30.0)
MOON = Disc(121.0, 119.0, 31.0)


def test_a_hole_in_the_corona_is_no_edge_of_the_picture_and_a_border_is():
    radiance = np.ones((3, SIDE, SIDE), np.float32)
    radiance[:, 100:140, 100:140] = np.nan  # the Moon, and what is clipped around it
    radiance[1, :12] = np.nan  # of one colour
    valid = valid_area(radiance, SUN, MOON)
    assert valid[12:].all()
    assert not valid[:12].any()


@pytest.mark.parametrize("turn", [0.0, 20.0, -135.0])
@pytest.mark.parametrize("factor", [1, 2])
def test_a_spot_is_turned_about_the_middle_by_the_angle(turn, factor):
    angle, distance = np.radians(50.0), 40.0
    y, x = np.mgrid[:SIDE, :SIDE] - (SIDE - 1) / 2.0
    spot = np.exp(
        -((x - distance * np.cos(angle)) ** 2 + (y - distance * np.sin(angle)) ** 2) / 50.0
    )
    small = spot.reshape(SIDE // factor, factor, SIDE // factor, factor).mean(axis=(1, 3))
    turned = Turn(np.ones((SIDE, SIDE), bool), 10.0, 10.0 + turn)
    out = turned(small[None].astype(np.float32), factor)[0]
    rows, columns = np.mgrid[: out.shape[0], : out.shape[1]]
    weight = np.where(out > 0.05, out, 0.0)
    across = (weight * columns).sum() / weight.sum() - (out.shape[1] - 1) / 2.0
    down = (weight * rows).sum() / weight.sum() - (out.shape[0] - 1) / 2.0
    assert np.hypot(across, down) * factor == pytest.approx(distance, abs=0.3)
    # Up goes anticlockwise on the sky, east being left of north: what is shown turns clockwise.
    seen = np.degrees(np.arctan2(down, across))
    assert abs((seen - 50.0 - turn + 180.0) % 360.0 - 180.0) < 0.5


@pytest.mark.parametrize("turn", [0.0, 30.0, 90.0, -120.0])
def test_what_was_seen_to_one_side_stays(turn):
    """A field that begins 40 pixels left of the Sun and ends with the picture to the right."""
    valid = np.zeros((200, 301), bool)
    valid[:, 110:] = True
    spot = np.zeros((1, 200, 301), np.float32)
    spot[0, 98:102, 149:152] = 1.0
    turned = Turn(valid, 0.0, turn)
    out = turned(spot)
    x, y = turned.centre
    rows, columns = np.indices(out.shape[1:])
    assert (out[0] * columns).sum() / out.sum() == pytest.approx(x, abs=0.02)
    assert (out[0] * rows).sum() / out.sum() == pytest.approx(y, abs=0.02)
    seen = Turn(valid, 0.0, turn)(valid[None].astype(np.float32))
    assert seen.min() > 0.45  # the border is seen to half a pixel
    whole = out.shape[1:] if turn % 180 == 0 else out.shape[:0:-1]
    if turn % 90 == 0:
        assert whole[0] == 200
        assert abs(whole[1] - 191) <= 1
    middle = Turn(valid, 0.0, turn, half_px=300.0)(spot)
    assert out[0].size > 2 * middle[0].size


def test_a_frame_turned_by_any_angle_keeps_the_sun_in_the_middle():
    for turn in (10.0, 40.0, 77.0):
        turned = Turn(np.ones((200, 300), bool), 0.0, turn)
        rows, columns = turned(np.zeros((1, 200, 300), np.float32)).shape[1:]
        x, y = turned.centre
        assert abs(x - (columns - 1) / 2.0) <= 2.0
        assert abs(y - (rows - 1) / 2.0) <= 2.0
        assert rows * columns > 0.8 * np.prod(inner_size(299, 199, turn))
        assert min(x, y) > 0.98 * min(inner_size(299, 199, turn)) / 2


def test_a_crop_is_as_wide_as_it_is_asked_to_be():
    for factor in (1, 2):
        picture = np.zeros((3, SIDE // factor, SIDE // factor), np.float32)
        cropped = Turn(np.ones((SIDE, SIDE), bool), 0.0, 0.0, half_px=60.0)(picture, factor)
        assert cropped.shape[1] * factor == pytest.approx(120, abs=2 * factor)
