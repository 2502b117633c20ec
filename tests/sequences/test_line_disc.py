"""The Sun in a spectral line, painted: stacking, flattening, totality and prominences."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from limbward.geometry.disc import Disc
from limbward.sequences.cut import Cut, View
from limbward.sequences.line_disc import (
    LineDisc,
    Stack,
    flattened,
    off_limb,
    prominences_of,
    shift_of,
    unseen_limb,
)
from tests.apart.corona import Corona, darkening, disc_mean
from tests.apart.line import heights
from tests.apart.scene import LINE

SIDE, SCALE, RADIUS = 601, 4.0, 240.0
VIEW = View(SIDE, SCALE, 0.0)
# Position angle and height above the line's limb (arcsec) of prominences with flat tops; to the
# left is east, 90 degrees.
PROMINENCES = ((60.0, 60.0), (200.0, 90.0), (310.0, 42.0))


def painted(moon=None, dx=0.0, dy=0.0, blur=0.5, disc=True):
    """The Sun, 1 at the centre, with scattered light around it; fine to a third of a pixel."""
    fine = 3
    x = (np.arange(SIDE * fine) + 0.5) / fine - 0.5
    u, v = x[None, :] - VIEW.centre - dx, x[:, None] - VIEW.centre - dy
    r = np.hypot(u, v)
    angle = np.degrees(np.arctan2(-u, -v)) % 360.0
    light = np.where(r < RADIUS, 0.4 + 0.6 * np.sqrt(np.clip(1 - (r / RADIUS) ** 2, 0, 1)), 0.0)
    if not disc:
        light *= 0.0
    for at, height in PROMINENCES:
        near = np.abs((angle - at + 180.0) % 360.0 - 180.0) < 2.5
        light += 0.06 * (near & (r >= RADIUS) & (r < RADIUS + height / SCALE))
    light += 0.004 * np.exp(-(((r - RADIUS) / 60.0) ** 2)) * disc
    if moon is not None:
        light *= np.hypot(x[None, :] - moon.x, x[:, None] - moon.y) > moon.radius
    light = light.reshape(SIDE, fine, SIDE, fine).mean(axis=(1, 3))
    return gaussian_filter(light, blur)


def cut(picture, level=0.5, noise=2e-4, seed=1):
    grain = noise * np.random.default_rng(seed).standard_normal(picture.shape)
    plane = np.clip(level * picture + grain + 1e-4, 1e-6, None).astype(np.float32)
    return Cut(np.repeat(plane[None], 3, axis=0), np.zeros(plane.shape, bool))


def moon_at(angle, distance):
    a = np.radians(angle)
    middle = VIEW.centre
    return Disc(middle + distance * np.cos(a), middle + distance * np.sin(a), 242.0)


@pytest.fixture(scope="module")
def stacked():
    """Crescents in which the Moon hides one part of the limb after the other."""
    stack = Stack(VIEW, RADIUS)
    frames = []
    for k, angle in enumerate((10.0, 130.0, 250.0)):
        moon = moon_at(angle, 350.0)
        frames.append((cut(painted(moon), seed=k), stack.clear(moon, 0.5)))
    for frame in frames:
        stack.look(*frame)
    stack.settle()
    for frame, clear in frames:
        stack.add(stack.relative(frame, 1.0, clear), clear, 1.0)
    return stack


def test_the_stack_is_the_sun_without_the_moon_relative_to_its_centre(stacked):
    disc = stacked.disc()
    true = painted()
    inside = stacked.away < 0.95
    off = disc.picture[inside] / true[inside]
    assert np.isfinite(disc.picture).all()
    assert np.ptp(np.quantile(off, (0.02, 0.98))) < 0.003
    assert off.mean() == pytest.approx(1.0 / true[stacked.away < 0.05].mean(), rel=0.003)
    assert disc.count.min() > 0.9


def test_the_flattened_disc_has_neither_darkening_nor_scattered_light(stacked):
    flat = flattened(stacked.disc(), stacked.away)
    assert np.abs(flat[stacked.away < 0.97] - 1.0).max() < 0.02
    sky = (stacked.away > 1.02) & (off_limb(painted(), stacked.away, np.ones_like(flat)) < 1e-3)
    assert abs(np.median(flat[sky])) < 2e-4


def test_prominences_are_found_where_they_are_with_their_heights(stacked):
    """Heights are above the limb in white light: the painted excess is 0.45 %, 3.5 arcsec."""
    excess = 0.0045
    found = prominences_of(stacked.disc(), excess, stacked.away)
    above = RADIUS * SCALE * (1 - 1 / (1 + excess))
    wanted = sorted(PROMINENCES, key=lambda p: -p[1])
    assert len(found) == len(wanted)
    for p, (angle, height) in zip(found, wanted, strict=True):
        middle = 0.5 * (p.first + p.last)
        assert middle == pytest.approx(angle, abs=0.3)
        assert p.height_arcsec == pytest.approx(height + above, abs=1.0)


@pytest.mark.parametrize(("dx", "dy"), [(0.0, 0.0), (2.3, -1.6), (-4.0, 3.2)])
def test_a_frame_of_totality_is_placed_by_its_prominences(stacked, dx, dy):
    """The rest lies some pixels off where it was looked for; it is looked for there once more."""
    template = off_limb(stacked.disc().picture, stacked.away, np.ones_like(stacked.away))
    found = np.zeros(2)
    for turn in range(2):
        off = np.array([dx, dy]) - found
        there = Disc(VIEW.centre + 3.0 + off[0], VIEW.centre - 2.0 + off[1], 244.0)
        dark = cut(painted(there, *off, disc=False), level=2.0, noise=1e-3, seed=turn)
        clear = stacked.clear(Disc(VIEW.centre + 3.0, VIEW.centre - 2.0, 244.0), 0.5)
        relative = stacked.relative(dark, 4.0, clear)
        found += shift_of(np.nan_to_num(relative), template, stacked.away, clear)
    assert found == pytest.approx([dx, dy], abs=0.1)


def test_a_frame_that_shows_nothing_is_not_placed(stacked):
    template = off_limb(stacked.disc().picture, stacked.away, np.ones_like(stacked.away))
    clear = stacked.clear(Disc(VIEW.centre, VIEW.centre, 244.0), 0.5)
    dark = cut(np.zeros((SIDE, SIDE)), noise=2e-2)
    relative = stacked.relative(dark, 1.0, clear)
    assert shift_of(np.nan_to_num(relative), template, stacked.away, clear) is None


def test_a_gap_beside_the_limb_hides_what_is_in_it_alone(stacked):
    """The prominence at 60 degrees is beyond the frame, those at 200 and 310 are not."""
    whole = stacked.disc()
    picture = whole.picture.copy()
    y, x = np.indices(picture.shape)
    u, v = x - VIEW.centre, y - VIEW.centre
    angle = np.degrees(np.arctan2(-u, -v)) % 360.0
    picture[(np.abs(angle - 60.0) < 10.0) & (np.hypot(u, v) > 0.9 * RADIUS)] = np.nan
    cut_off = LineDisc(picture, whole.sigma, whole.count, VIEW, RADIUS)
    found = prominences_of(cut_off, 0.0, stacked.away)
    assert [round(0.5 * (p.first + p.last)) for p in found] == [200, 310]
    assert [p.height_arcsec for p in found] == pytest.approx([90.0, 42.0], abs=1.0)


def test_heights_of_the_other_simulators_prominences():
    """At 2 arcsec per pixel: lumps that fade, ragged by texture, of any brightness."""
    scale, sun, excess, seed, fine = 2.0, 960.0, 0.0045, 7, 2
    radius = sun * (1 + excess) / scale
    view = View(2 * int(1.1 * sun / scale) + 1, scale, 0.0)
    x = (np.arange(view.side * fine) + 0.5) / fine - 0.5 - view.centre
    r, angle = np.hypot(x[None, :], x[:, None]), np.arctan2(-x[None, :], -x[:, None])
    light = np.where(r < radius, 0.5, 0.0)
    near = np.abs(r * scale / sun - 1.05) < 0.06
    glow = LINE * Corona(seed + 5).prominences(r[near] * scale / sun, angle[near], 0)
    light[near] += np.minimum(glow, 0.1) * disc_mean(0) / darkening(np.ones(1), 0)
    light = light.reshape(view.side, fine, view.side, fine).mean(axis=(1, 3))
    grain = 5e-4 * np.random.default_rng(seed).standard_normal(light.shape)
    picture = (gaussian_filter(light, 0.43) + grain).astype(np.float32)
    disc = LineDisc(picture, 0 * picture, 0 * picture, view, radius)
    y = np.arange(view.side) - view.centre
    away = (np.hypot(y[None, :], y[:, None]) / radius).astype(np.float32)
    found = prominences_of(disc, excess, away)
    truth = {"seed": seed, "solar_radius_arcsec": sun, "solar_north_deg": 0.0}
    at, height = heights(truth | {"settings": {"excess": excess}})
    # What is 6 arcsec above the line's limb, which is 4.3 above that of white light.
    runs = np.flatnonzero(height > 6.0 + excess * sun)
    groups = np.split(runs, np.flatnonzero(np.diff(at[runs]) > 0.8) + 1)
    tall = [p for p in found if p.height_arcsec > 12.0]
    assert len(tall) == len(groups) == 7
    off = []
    for p, run in zip(sorted(tall, key=lambda p: p.position_angle), groups, strict=True):
        assert p.first == pytest.approx(at[run[0]], abs=0.5)
        assert p.last == pytest.approx(at[run[-1]], abs=0.5)
        off.append(p.height_arcsec - height[run].max())
        assert abs(off[-1]) < max(0.3, p.sigma_arcsec)
    assert np.median(np.abs(off)) < 0.15


def test_a_frame_that_ends_on_the_disc_leaves_no_line_there():
    view = View(121, 20.0, 0.0)
    light = np.full((3, 121, 121), 0.5, np.float32)
    light[:, :, 30] = 0.2  # an interpolation over the frame's edge
    light[:, :, :30] = 0.0
    stack = Stack(view, 48.0)
    cut = Cut(light, np.zeros((121, 121), bool))
    relative = stack.relative(cut, 1.0, np.ones((121, 121), np.float32))
    assert np.isnan(relative[:, :31]).all()
    assert np.allclose(relative[:, 34:], 1.0)


def test_the_blur_is_told_by_the_moons_limb_before_the_disc():
    stack = Stack(VIEW, RADIUS)
    assert np.isnan(stack.disc().blur_px)
    moon = moon_at(130.0, 350.0)
    frame, clear = cut(painted(moon, blur=1.5)), stack.clear(moon, 1.5)
    stack.look(frame, clear)
    stack.settle()
    stack.note_blur(stack.relative(frame, 1.0, clear), moon, 1.0)
    assert stack.disc().blur_px == pytest.approx(np.hypot(1.5, 12**-0.5), rel=0.03)


def test_limb_beyond_every_frame_is_told():
    view = View(121, 20.0, 0.0)
    stack = Stack(view, 48.0)
    picture = np.ones((121, 121), np.float32)
    whole = LineDisc(picture, picture, picture, view, 48.0)
    assert unseen_limb(whole, stack.away) == 0.0
    picture[:, 84:] = np.nan  # from half a radius on, that is a third of the limb
    assert unseen_limb(whole, stack.away) == pytest.approx(1.0 / 3.0, abs=0.02)
