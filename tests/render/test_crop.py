"""Cropping the finished picture: sides in a ratio, the Sun where it was."""

import numpy as np
import pytest

from limbward.render.crop import Box, cut, window


@pytest.mark.parametrize("ratio", ["1:1", "3:2", "2:3", "16:9", "9:16", "4:5"])
@pytest.mark.parametrize("size", [(400, 600), (600, 400), (333, 501)])
def test_the_largest_part_in_that_ratio_about_the_middle(size, ratio):
    rows, columns = window(size, None, ratio, 50.0)
    high, wide = rows[1] - rows[0], columns[1] - columns[0]
    width, height = map(int, ratio.split(":"))
    assert wide / high == pytest.approx(width / height, abs=0.6 / min(high, wide) * 2)
    assert high == size[0] or wide == size[1]
    assert abs(rows[0] + rows[1] - size[0]) <= 1
    assert abs(columns[0] + columns[1] - size[1]) <= 1


def test_a_rectangle_is_cut_first():
    rows, columns = window((400, 600), Box(2.0, 3.0, 1.0, 1.0), "1:1", 50.0)
    assert rows == (150, 251)  # 50 to either side of the middle, 199.5, rounded outwards
    assert columns[1] - columns[0] == 101
    assert sum(columns) / 2 == pytest.approx(299.5 + 25.0, abs=1.0)


def test_without_a_wish_everything_stays():
    picture = np.zeros((3, 40, 60), np.float32)
    assert cut(picture, None, 10.0).shape == picture.shape
