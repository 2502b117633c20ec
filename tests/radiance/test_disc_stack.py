"""The Sun's disc stacked from frames that another painter made, against what it painted."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, map_coordinates

from limbward.camera.frame import linear_frame
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, frame_affine
from limbward.geometry.lens import Lens
from limbward.geometry.orientation import Orientation
from limbward.radiance.calibrate import Calibration
from limbward.radiance.disc import centre_colour, neutral
from limbward.radiance.disc_choice import choose_discs
from limbward.radiance.disc_stack import DiscFrame, stack_discs
from limbward.radiance.noise import NoiseModel

SUN, RATIO, SCALE, SIDE, FINE = 150.0, 0.93, 6.3, 350, 3
GAIN, READ, LEVEL = 0.4, 3.0, 9000.0
COLOURS = np.array([0.5, 1.0, 0.7])
RGGB = np.array([[0, 1], [1, 2]], np.int8)
GRID = Grid(SIDE, SIDE, SCALE, 20.0)
CAMERA = Orientation(SCALE, 20.0)


def neckel_labs(mu):
    """Return the photosphere's brightness at 541 nm: Neckel & Labs, Solar Physics 153 (1994) 91."""
    terms = (0.30505, 1.13123, -0.78604, 0.40560, 0.02297, -0.07880)
    return sum(a * mu**k for k, a in enumerate(terms))


def paint(x0, y0, moon, blur):
    """Return Sun and Moon at unit brightness, painted on finer pixels and blurred."""
    y, x = (np.indices((SIDE * FINE, SIDE * FINE)) + 0.5) / FINE - 0.5
    rho = np.hypot(x - x0, y - y0) / SUN
    picture = np.where(rho < 1, neckel_labs(np.sqrt(np.clip(1 - rho**2, 0, 1))), 0.0)
    picture[np.hypot(x - moon[0], y - moon[1]) < RATIO * SUN] = 0.0
    picture = gaussian_filter(picture, blur * FINE)
    return picture.reshape(SIDE, FINE, SIDE, FINE).mean(axis=(1, 3))


def session(count=7, *, blur=1.0, moon_step=0.9, exposures=(1 / 500, 1 / 1000, 1 / 250)):
    """Return raw frames with their `DiscFrame`, the Moon moving across, and its place on the grid.

    Every other frame is turned by half a degree; transparency changes by a tenth.
    """
    rng = np.random.default_rng(5)
    frames, raws = {}, []
    for k in range(count):
        x0, y0 = SIDE / 2 + rng.uniform(-2, 2, 2)
        exposure = exposures[k % len(exposures)]
        turn = 0.5 * (k % 2)
        affine = frame_affine(GRID, x0, y0, CAMERA, turn)
        at = np.array([GRID.sun_x + moon_step * (k - count // 2), GRID.sun_y + 1.2])
        moon = affine[:, :2] @ at + affine[:, 2]
        light = paint(x0, y0, moon, blur) * LEVEL * exposure * 500 * rng.uniform(0.9, 1.0)
        y, x = np.indices(light.shape)
        light = light * COLOURS[RGGB[y % 2, x % 2]]
        data = light + rng.normal(0, 1, light.shape) * np.sqrt(GAIN * light + READ**2)
        frames[k] = DiscFrame(
            affine, exposure, Disc(*at, RATIO * SUN), blur, NoiseModel(GAIN, READ)
        )
        raws.append((k, linear_frame(data.astype(np.float32), 60000.0, RGGB)))
    middle = count // 2
    return frames, [raws[middle], *(r for r in raws if r[0] != middle)]


def stacked(frames, raws):
    return stack_discs(frames, raws, GRID, SUN, lambda k, raw: Calibration())


def test_the_disc_is_round_through_a_lens_that_distorts(made):
    """A disc that is drawn 1 to 2 % larger: shift under 0.1 px, no scale left of either axis."""
    (_, raw), frame = made[1][0], made[0][3]
    lens = Lens(-300.0, -250.0, 1000.0, 0.01)
    y, x = np.indices(raw.data.shape, dtype=float)
    sx, sy = lens.straight(x, y)
    at = frame.affine[:, :2] @ np.array([frame.moon.x, frame.moon.y]) + frame.affine[:, 2]
    sun = frame.affine[:, :2] @ np.array([GRID.sun_x, GRID.sun_y]) + frame.affine[:, 2]
    light = map_coordinates(LEVEL * paint(*sun, at, 1.0), [sy, sx], order=3, mode="nearest")
    bent = linear_frame(light.astype(np.float32), 60000.0)
    picture = stacked({3: replace(frame, lens=lens)}, [(3, bent)]).radiance[1]
    expected = paint(GRID.sun_x, GRID.sun_y, (frame.moon.x, frame.moon.y), 1.0)
    seen = np.isfinite(picture)
    gy, gx = np.gradient(expected)
    ux, uy = (np.indices(expected.shape)[::-1] - SIDE / 2) / SUN
    basis = np.stack([expected, gx, gy, ux * gx, uy * gy])[:, seen].T
    found = np.linalg.lstsq(basis, picture[seen], rcond=None)[0]
    assert np.abs(found[1:] / found[0]).max() < 0.05


def width(picture, x0, y0):
    """Return the distance over which the Sun's limb falls from 60 to 15 % of the light inside it.

    On the side where the ring is widest, by the mean of pixels at the same distance.
    """
    y, x = np.indices(picture.shape)
    away = np.hypot(x - x0, y - y0) - SUN
    near = (np.abs(away) < 5) & (y < y0)
    step = np.round(away[near] * 4).astype(int) + 20
    level = np.bincount(step, picture[near]) / np.maximum(np.bincount(step), 1)
    distance = (np.arange(level.size) - 20) / 4
    level /= level[8]
    return np.interp(-0.15, -level, distance) - np.interp(-0.60, -level, distance)


@pytest.fixture(scope="module")
def made():
    frames, raws = session()
    return frames, raws, stacked(frames, raws)


def test_the_sun_is_registered_and_its_limb_darkening_kept(made):
    """Asked: the Sun within 0.1 px, its light within 1 %."""
    frames, _, stack = made
    moon = frames[3].moon
    expected = paint(GRID.sun_x, GRID.sun_y, (moon.x, moon.y), 1.0)
    green = stack.radiance[1]
    y, x = np.indices(green.shape)
    from_sun = SUN - np.hypot(x - GRID.sun_x, y - GRID.sun_y)
    from_moon = np.hypot(x - moon.x, y - moon.y) - moon.radius
    inside = (from_sun > 1) & (from_moon > 1)
    ratio = green / np.where(inside, expected, 1.0)
    level = np.median(ratio[inside])
    clear = (from_sun > 3) & (from_moon > 3)
    for part in (clear & (from_sun > 4.5), clear & (from_sun < 4.5), clear & (x < GRID.sun_x)):
        assert part.sum() > 100
        assert abs(np.mean(ratio[part]) / level - 1) < 0.01
    # A shift s changes the picture by s times its slope.
    gy, gx = np.gradient(expected * level)
    limb = (np.abs(from_sun) < 4) & (from_moon > 4)
    slopes = np.stack([gx[limb], gy[limb]], axis=1)
    shift = np.linalg.lstsq(slopes, (green - expected * level)[limb], rcond=None)[0]
    assert np.hypot(*shift) < 0.1
    limb = (np.abs(from_moon) < 4) & (from_sun > 4)
    slopes = np.stack([gx[limb], gy[limb]], axis=1)
    shift = np.linalg.lstsq(slopes, (green - expected * level)[limb], rcond=None)[0]
    assert np.hypot(*shift) < 0.1


def test_the_stack_is_as_sharp_as_its_best_frame(made):
    frames, raws, stack = made
    alone = stacked({3: frames[3]}, raws[:1])
    one, all_of_them = (width(s.radiance[1], GRID.sun_x, GRID.sun_y) for s in (alone, stack))
    assert all_of_them < 1.03 * one


def test_noise_falls_and_is_stated(made):
    frames, raws, stack = made
    alone = stacked({3: frames[3]}, raws[:1])
    y, x = np.indices((SIDE, SIDE))
    moon = frames[3].moon
    ring = (np.hypot(x - GRID.sun_x, y - GRID.sun_y) < SUN - 2) & (
        np.hypot(x - moon.x, y - moon.y) > moon.radius + 6
    )
    assert np.median(stack.count[ring]) >= 4
    assert np.median(stack.sigma[1][ring]) < 0.7 * np.median(alone.sigma[1][ring])
    sky = np.hypot(x - GRID.sun_x, y - GRID.sun_y) > SUN + 12
    sky &= np.isfinite(stack.radiance[1]) & (stack.count == 7)
    # Neighbours share samples, which does not change the scatter of single pixels.
    assert 0.7 < np.std(stack.radiance[1][sky]) / np.median(stack.sigma[1][sky]) < 1.4


def test_brightness_is_compared_whatever_the_exposure(made):
    """The air let through 0.9 to 1.0, drawn after each frame's place; 300 pixels tell it."""
    _, _, stack = made
    rng, air = np.random.default_rng(5), []
    for _ in range(7):
        rng.uniform(-2, 2, 2)
        air.append(rng.uniform(0.9, 1.0))
        rng.normal(0, 1, (SIDE, SIDE))
    assert stack.relative[3] == 1.0
    for k, value in stack.relative.items():
        assert value == pytest.approx(air[k] / air[3], abs=0.004)


def test_a_frame_that_cannot_be_decoded_is_left_out_with_its_reason():
    frames, raws = session(3)
    raws[1] = (raws[1][0], LimbwardError("cut short"))
    stack = stacked(frames, raws)
    assert stack.failed == {raws[1][0]: "cut short"}
    assert stack.count.max() == 2
    with pytest.raises(LimbwardError, match="None of the 3 filtered frames"):
        stacked(frames, [(k, LimbwardError("cut short")) for k in range(3)])


def discs(offsets, ratio=0.95):
    n = len(offsets)
    sun = np.tile([500.0, 400.0, 100.0], (n, 1))
    moon = sun + np.column_stack([offsets, np.zeros(n), np.full(n, 100 * ratio - 100)])
    return sun, moon


def test_the_sharpest_of_the_ring_are_chosen():
    sun, moon = discs([-60.0, -3.0, -1.0, 0.5, 2.0, 70.0])
    width = np.array([0.8, 1.0, 1.5, 1.03, 1.02, 0.8])
    time = np.array([-400.0, -20.0, -7.0, 3.0, 15.0, 450.0])
    found = choose_discs(np.ones(6, bool), sun, moon, width, time)
    assert found.ring
    assert found.rows.tolist() == [1, 3, 4]
    assert found.reference == 3
    # Without times the deepest lends its Moon: no time is made up.
    found = choose_discs(np.ones(6, bool), sun, moon, width, np.full(6, np.nan))
    assert found.reference == 3


def test_without_a_ring_the_deepest_crescents_are_chosen():
    sun, moon = discs([-90.0, -62.0, -60.0, -61.0, 90.0, np.nan], ratio=1.02)
    width = np.array([0.9, 1.0, 1.0, 1.3, 0.9, 0.5])
    time = np.array([-900.0, -30.0, 5.0, 40.0, 900.0, 0.0])
    found = choose_discs(np.ones(6, bool), sun, moon, width, time)
    assert not found.ring
    assert found.rows.tolist() == [1, 2]
    assert choose_discs(np.zeros(6, bool), sun, moon, width, time) is None


def test_the_colour_of_the_centre_makes_white():
    planes = np.ones((3, 60, 60), np.float32) * np.array([0.5, 1.0, 0.7], np.float32)[:, None, None]
    sun = Disc(119.5, 119.5, 100.0)
    assert centre_colour(planes, 4, sun, Disc(130.0, 119.5, 95.0)) is None  # the Moon is there
    colour = centre_colour(planes, 4, sun, Disc(270.0, 119.5, 95.0))
    assert neutral([colour]) == pytest.approx([2.0, 1.0, 1 / 0.7])
    assert neutral([]) is None
