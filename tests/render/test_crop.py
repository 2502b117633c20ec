"""Cropping the finished picture: sides in a ratio, the Sun where it was."""

import pytest

from limbward.render.crop import Box, window


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


def test_a_box_counts_from_the_sun_and_ends_with_the_picture():
    box = Box(left=2.0, right=1.0, top=3.0, bottom=0.5)
    assert window((101, 151), box, None, 10.0) == ((20, 56), (55, 86))
    assert window((101, 151), box, None, 10.0, (45.0, 60.0)) == ((30, 66), (25, 56))
    assert window((101, 151), Box(99, 99, 99, 99), None, 10.0) == ((0, 101), (0, 151))
    tiny = window((101, 151), Box(-7.5, 7.55, -5, 5.2), None, 10.0)
    assert min(last - first for first, last in tiny) >= 16


def test_without_a_wish_everything_stays():
    assert window((40, 60), None, None, 10.0) == ((0, 40), (0, 60))


@pytest.mark.parametrize(("x", "columns"), [(199.5, (100, 300)), (130.0, (30, 230)), (9, (0, 200))])
def test_a_ratio_keeps_the_sun_as_near_to_the_middle_as_it_can(x, columns):
    assert window((200, 400), None, "1:1", 50.0, (x, 99.5)) == ((0, 200), columns)
