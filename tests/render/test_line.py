"""Pictures of the Sun in a line, and its prominences over another picture."""

import numpy as np
import pytest

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.render.line import LineDisc, colour_of, laid_over, lightness, shown, with_prominences

SIDE, RADIUS = 101, 30.0


def sun():
    x = np.arange(SIDE, dtype=np.float32) - 50.0
    away = np.hypot(x[None, :], x[:, None]) / RADIUS
    flat = np.where(away <= 1.0, 1.0, 0.0).astype(np.float32)
    flat[48:53, 82:90] = 0.05  # a prominence to the right
    return flat, away


def test_a_colour_is_linear_light_by_iec_61966_2_1():
    """#808080 is 0.2158605 of white: 128/255 by the standard's curve, worked out by hand."""
    assert colour_of("#808080") == pytest.approx([0.2158605] * 3, abs=1e-6)
    assert colour_of("#ff0000") == pytest.approx([1.0, 0.0, 0.0])


def test_a_prominence_lies_where_it_is_in_the_other_picture_and_nothing_else_changes():
    """The other picture is twice as fine, turned by 90 degrees, its Sun at (120, 110)."""
    flat, away = sun()
    across = np.array([[0.0, 0.5], [-0.5, 0.0]])  # right is up, down is right
    start = np.array([50.0, 50.0]) - across @ np.array([120.0, 110.0])
    before = np.full((3, 220, 240), 0.2, np.float32)
    after = laid_over(before, flat, away, across, start, "#ff0000")
    # 32 to 39 px right of the centre there is 64 to 78 px below it here.
    changed = np.argwhere(np.abs(after - before).max(axis=0) > 1e-3)
    assert changed.mean(axis=0) == pytest.approx([110.0 + 71.0, 120.0], abs=0.6)
    middle = after[:, 181, 120]
    light = float(lightness(np.float32([0.05]))[0])
    assert middle == pytest.approx([1 - 0.8 * (1 - light), 0.2, 0.2], abs=0.01)


def test_a_prominence_keeps_its_position_angle_and_height_on_another_grid():
    """Position angles count from north through east: right of a picture with north up is west."""
    flat, _ = sun()
    line = LineDisc(flat, Grid(SIDE, SIDE, 32.0, 0.0), RADIUS)
    finer = Grid(301, 301, 16.0, 90.0)  # east is up in it, so west is down
    before = np.full((3, 301, 301), 0.2, np.float32)
    disc = Disc(finer.sun_x, finer.sun_y, 2.0 * RADIUS)
    after = with_prominences(before, finer, disc, line, "#ff0000")
    changed = np.argwhere(np.abs(after - before).max(axis=0) > 1e-3)
    # 32 to 39 px of 32 arcsec is 64 to 78 px of 16 arcsec from the Sun's centre, which is at 150.
    assert changed.mean(axis=0) == pytest.approx([150.0 + 71.0, 150.0], abs=0.6)


def test_the_disc_is_of_the_colour_and_the_sky_black():
    flat, away = sun()
    picture = shown(flat, away, "#ff4000")
    assert picture[0, 50, 50] > picture[1, 50, 50] > picture[2, 50, 50]
    assert picture[:, 2, 2].max() == 0.0


def test_what_no_frame_shows_and_the_noise_of_the_sky_are_black():
    flat, away = sun()
    flat[:, :40] = np.nan
    grain = np.random.default_rng(1).normal(0.0, 2e-4, flat.shape).astype(np.float32)
    picture = shown(flat + grain, away, "#ff4000")
    assert picture[:, :, :40].max() == 0.0
    assert picture[0, 50, 60] > 0.3
    assert picture[:, :, 91:].max() == 0.0
