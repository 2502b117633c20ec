"""No filter draws circles about the Sun, nor lines along the frame, that are not in the sky.

Circles come from whatever is computed ring by ring: where rings begin to leave the frame, where
they end in a corner, where the Moon cuts into them. Lines come from the frame's edges. Both are
looked for in what filters make of a smooth corona, in which every thin line is the filter's own,
and of an even one with noise, in which circles about the Sun must not stand out from circles about
other places.
"""

import numpy as np
import pytest
from scipy.ndimage import binary_fill_holes, distance_transform_edt, map_coordinates, median_filter

from limbward import filters
from limbward.geometry.disc import Geometry

HEIGHT, WIDTH, RADIUS = 330, 410, 50.0
CROPS = {
    "middle": (203.6, 166.3),
    "side": (88.2, 150.7),  # rings leave on one side first
    "corner": (61.3, 57.8),  # few rings are whole, and the last ones end in a corner
    "turned": (196.3, 161.2),  # the frame of a camera that was held askew
}
TURN = np.radians(12.0)
NAMES = filters.names()
# In units of the filtered picture's deviation. Eight times as contrasty, a kink of 4 % is a tenth
# of the range of grey. Rings a pixel wide have 3 % from the pixels' grid.
VISIBLE = 0.04
# This one brings contrast to one measure, up to ten times, and a smooth corona has none of its own.
LIFTED = {"circular_high_pass": 0.3}
RIM = 8  # pixels within which kernels are cut by the frame


def askew(x, y):
    """Return distances from the frame's middle along its own sides."""
    u, v = x - WIDTH / 2, y - HEIGHT / 2
    return u * np.cos(TURN) + v * np.sin(TURN), -u * np.sin(TURN) + v * np.cos(TURN)


def scene(crop, smooth):
    """A corona by Baumbach's law, with waves in angle and height, or even and noisy."""
    sun = CROPS[crop]
    y, x = np.indices((HEIGHT, WIDTH), dtype=float)
    rho, angle = np.hypot(x - sun[0], y - sun[1]) / RADIUS, np.arctan2(y - sun[1], x - sun[0])
    r = np.maximum(rho, 0.9)
    light = 0.0532 * r**-2.5 + 1.425 * r**-7 + 2.565 * r**-17
    sigma = 0.002 * light + 1e-5
    if smooth:
        light *= 1.0 + 0.25 * np.cos(3 * angle + 0.4) + 0.15 * np.sin(7 * angle + rho)
    else:
        light += sigma * np.random.default_rng(3).standard_normal(light.shape)
    geometry = Geometry(*sun, RADIUS, sun[0] + 1.3, sun[1] + 0.4, 1.05 * RADIUS)
    light[~geometry.visible(HEIGHT, WIDTH)] = np.nan
    if crop == "turned":
        u, v = askew(x, y)
        light[(np.abs(u) > 165) | (np.abs(v) > 130)] = np.nan
    return light[None].astype(np.float32), sigma[None].astype(np.float32), geometry


def sampled(picture, x, y):
    """Return a picture at places, NaN where a neighbour is missing; linearly, so nothing rings."""
    known = np.isfinite(picture)
    at = [y, x]
    out = map_coordinates(np.where(known, picture, 0.0), at, order=1, cval=np.nan)
    out[map_coordinates(known.astype(float), at, order=1, cval=0.0) < 0.999] = np.nan
    return out


def around(picture, centre):
    """Return a picture by distance from a place (rows) and angle, from 1.2 radii of the Sun on."""
    reach = int(np.hypot(*(max(c, s - c) for c, s in zip(centre, (WIDTH, HEIGHT), strict=True))))
    r = np.arange(int(1.2 * RADIUS), reach)[:, None]
    a = np.linspace(0, 2 * np.pi, 1440, endpoint=False)
    return sampled(picture, centre[0] + r * np.cos(a), centre[1] + r * np.sin(a))


def framed(picture):
    """Return where the frame is: what is known, and the Moon in it; nothing beyond."""
    inside = binary_fill_holes(np.isfinite(picture))
    inside[[0, -1]] = inside[:, [0, -1]] = False
    return inside


def along(picture, crop):
    """Return a picture by rows, then by columns, of the frame as it lies, but for the inner corona.

    Rows that touch the Moon begin in the brightest light, and are no lines of the filter's.
    """
    y, x = np.indices(picture.shape)
    near = np.hypot(x - CROPS[crop][0], y - CROPS[crop][1]) < 1.5 * RADIUS
    picture = np.where(near | (distance_transform_edt(framed(picture)) < RIM), np.nan, picture)
    if crop != "turned":
        return [picture, picture.T]
    u, v = np.meshgrid(np.arange(-170.0, 171.0), np.arange(-135.0, 136.0))
    x = WIDTH / 2 + u * np.cos(TURN) - v * np.sin(TURN)
    y = HEIGHT / 2 + u * np.sin(TURN) + v * np.cos(TURN)
    straight = sampled(picture, x, y)
    return [straight, straight.T]


def kinks(rows, fewest):
    """Return the mean second difference across each row, NaN of rows with few samples."""
    bend = rows[2:] - 2.0 * rows[1:-1] + rows[:-2]
    count = np.isfinite(bend).sum(axis=1)
    total = np.where(np.isfinite(bend), bend, 0.0).sum(axis=1)
    return np.where(count >= fewest, np.abs(total) / np.maximum(count, 1), np.nan), count


def sharpest(rows, spread, fewest=80):
    """Return how far the sharpest kink stands out from those of the 12 rows to either side."""
    kink, _ = kinks(rows, fewest)
    kink = kink[np.isfinite(kink)]
    return float(np.max(kink - median_filter(kink, 25, mode="nearest"))) / spread


def seams(picture, crop):
    """Return the sharpest circle about the Sun and the sharpest line along the frame."""
    spread = np.nanstd(picture)
    circle = sharpest(around(picture, CROPS[crop]), spread)
    line = max(sharpest(rows, spread, 150) for rows in along(picture, crop))
    return circle, line


def filtered(name, crop, smooth):
    """Return what a filter makes of a scene."""
    image, sigma, geometry = scene(crop, smooth)
    module = filters.load(name)
    out = module.apply(image, sigma, geometry, module.Params())[0]
    return np.where(np.isfinite(image[0]), out, np.nan).astype(float)


@pytest.mark.parametrize("crop", CROPS)
@pytest.mark.parametrize("name", NAMES)
def test_a_smooth_corona_has_no_thin_circles_and_lines(name, crop):
    circle, line = seams(filtered(name, crop, True), crop)
    assert circle < LIFTED.get(name, VISIBLE)
    assert line < VISIBLE


@pytest.mark.parametrize("crop", ["side", "turned"])
def test_a_thin_circle_and_a_thin_line_are_found(crop):
    """What the first test looks for, painted: an arc of 30 degrees, a line across the frame."""
    picture = filtered("nrgf", crop, True)
    spread = np.nanstd(picture)
    y, x = np.indices(picture.shape)
    rho = np.hypot(x - CROPS[crop][0], y - CROPS[crop][1])
    arc = (np.abs(rho - 1.9 * RADIUS) < 0.5) & (np.abs(np.arctan2(y - 150, x - 150)) < 0.8)
    circle, _ = seams(picture + 0.3 * spread * arc, crop)
    assert circle > VISIBLE
    across = askew(x, y)[1] if crop == "turned" else y - HEIGHT / 2
    _, line = seams(picture + 0.1 * spread * (np.abs(across - 100.0) < 0.7), crop)
    assert line > VISIBLE


def loudest(picture, centre):
    """Return the largest mean kink of a circle, in units of what noise of its length makes."""
    kink, count = kinks(around(picture, centre), 200)
    return np.nanmax(kink * np.sqrt(count))


@pytest.mark.parametrize("crop", ["side", "turned"])
@pytest.mark.parametrize("name", NAMES)
def test_circles_about_the_sun_are_none_in_noise(name, crop):
    """No circle about the Sun stands out from those about four other places of the same picture."""
    out = filtered(name, crop, False)
    if not filters.load(name).NORMALISES:  # the corona's own fall
        y, x = np.indices(out.shape)
        r = np.hypot(x - CROPS[crop][0], y - CROPS[crop][1]) / RADIUS
        out = out / (0.0532 * r**-2.5 + 1.425 * r**-7 + 2.565 * r**-17)
    sun = CROPS[crop]
    others = [(60, 0), (0, 70), (-40, 30), (50, 60)]
    elsewhere = max(loudest(out, (sun[0] + x, sun[1] + y)) for x, y in others)
    assert loudest(out, sun) < 1.25 * elsewhere


@pytest.mark.parametrize("name", ["nrgf", "fnrgf", "radial_histogram_equalization"])
def test_a_corner_is_no_darker_than_the_sky_beside_it(name):
    """Its last rings have too few pixels for a mean of their own; an even corona has no edge."""
    out = filtered(name, "corner", False)
    y, x = np.indices(out.shape)
    rho = np.hypot(x - CROPS["corner"][0], y - CROPS["corner"][1])
    middle, spread = np.nanmedian(out), np.nanstd(out)
    corner = out[rho > rho.max() - 18.0]
    assert abs(np.nanmean(corner) - middle) < 0.5 * spread  # 170 pixels: 0.08 by chance
