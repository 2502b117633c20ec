"""Frames of totality without a limb, against how they were drawn."""

from dataclasses import replace

import numpy as np
import pytest

from limbward.geometry.disc import MeasuredDisc
from limbward.limb import compare as comparing
from limbward.limb.compare import BENT, compare, level_beside_clipped
from limbward.limb.corona import Crop, corona_detail, crop_corona
from limbward.limb.drowned import DROWNED, clipped_core, is_drowned
from limbward.limb.frame import find_limbs, look_at
from limbward.limb.session import Session
from limbward.limb.shift import Shift, register
from tests.camera.files import BAYER, frame, repeat
from tests.limb.pictures import WHITE, corona

SHAPE = (640, 900)
R_SUN, R_MOON = 90.0, 93.5
CORE = 2.2  # solar radii, up to which glare clips


def long_frame(rng, sun, moon, *, glare):
    """Return a long exposure, in which glare around the Sun clips everything near it or nothing."""
    image, saturated = corona(SHAPE, (*sun, R_SUN), (*moon, R_MOON), rng, exposure=4.0, threads=0.1)
    if glare:
        y, x = np.indices(SHAPE)
        near = np.hypot(x - sun[0], y - sun[1]) < CORE * R_SUN
        image, saturated = np.where(near, image.max(), image), saturated | near
    return image.astype(np.float32), saturated


@pytest.mark.parametrize("sun", [(450.0, 320.0), (380.5, 250.0), (250.0, 200.0)])
def test_the_middle_of_what_is_clipped_is_the_suns_within_what_is_said(sun):
    _, saturated = long_frame(np.random.default_rng(1), sun, (sun[0] + 6, sun[1] - 4), glare=True)
    core = clipped_core(saturated)
    assert np.hypot(core.x - sun[0], core.y - sun[1]) < core.sigma
    assert core.radius == pytest.approx(CORE * R_SUN, rel=0.15)
    in_full = clipped_core(saturated, 2.0, (0.5, 0.5))
    assert in_full.x == pytest.approx(2 * core.x + 0.5)
    assert in_full.radius == pytest.approx(2 * core.radius)


def test_nothing_round_is_no_core():
    nothing = np.zeros(SHAPE, bool)
    assert clipped_core(nothing) is None
    assert clipped_core(~nothing) is None
    bar = nothing.copy()
    bar[300:310, 100:800] = True
    assert clipped_core(bar) is None
    hot = np.random.default_rng(2).random(SHAPE) < 1e-3
    assert clipped_core(hot) is None


def test_a_moon_in_the_middle_and_a_diamond_beside_it_are_not_drowned():
    core = MeasuredDisc(300.0, 300.0, 200.0, 20.0)
    assert is_drowned(core, None)
    assert not is_drowned(core, MeasuredDisc(310.0, 295.0, R_MOON, 0.2))
    assert is_drowned(core, MeasuredDisc(480.0, 300.0, 60.0, 0.2))  # an edge of the clipped area
    diamond = MeasuredDisc(300.0, 300.0, 40.0, 4.0)
    assert not is_drowned(diamond, MeasuredDisc(300.0 + R_MOON, 300.0, R_MOON, 0.2))


def test_a_drowned_frame_is_registered_by_the_outer_corona():
    rng = np.random.default_rng(3)
    sun, other = (452.31, 318.64), (430.0, 330.0)
    image, saturated = long_frame(rng, sun, (447.0, 322.0), glare=True)
    core = clipped_core(saturated)
    drowned = corona_detail(
        crop_corona(image, saturated, 1.0, (0.0, 0.0), core, core),
        MeasuredDisc(core.x, core.y, R_MOON, core.sigma),
    )
    image, saturated = long_frame(rng, other, (436.0, 326.0), glare=False)
    seen = MeasuredDisc(436.0, 326.0, R_MOON, 0.1)
    wide = clipped_core(saturated)
    shorter = corona_detail(crop_corona(image, saturated, 1.0, (0.0, 0.0), seen, wide), seen)
    start = (core.x, core.y)
    found = register(shorter, drowned, other, start, furthest_px=3 * core.sigma)
    assert found.dx == pytest.approx(start[0] - sun[0], abs=0.25)
    assert found.dy == pytest.approx(start[1] - sun[1], abs=0.25)
    assert found.sigma_px < 0.25


def bent(image, knee=0.82):
    """Return what a sensor makes of light whose response bends towards its ceiling."""
    over = np.maximum(image / WHITE - knee, 0.0)
    room = 1.02 * (1.0 - knee)
    curve = WHITE * (knee + room * (1.0 - np.exp(-over / room)))
    seen = np.where(image > knee * WHITE, curve, image)
    return np.minimum(seen, WHITE).astype(np.float32), seen >= WHITE


def test_what_bends_below_the_clipping_pulls_no_frame():
    sun = (452.31, 318.64)

    def detail(exposure, moon, seed):
        light, _ = corona(
            SHAPE, (*sun, R_SUN), (*moon, R_MOON), np.random.default_rng(seed),
            exposure=exposure, threads=0.1, white=None,
        )  # fmt: skip
        x = np.arange(SHAPE[1])
        sky = 500.0 * exposure * np.maximum(x - sun[0], 0.0) / sun[0]  # bright on one side
        image, clipped = bent(light + sky)
        disc = MeasuredDisc(*moon, R_MOON, 0.1)
        crop = crop_corona(image, clipped, 1.0, (0.0, 0.0), disc, clipped_core(clipped))
        return corona_detail(crop, disc, highest=BENT * level_beside_clipped(crop))

    shorter, longer = detail(4.0, (436.0, 326.0), 5), detail(32.0, (447.0, 322.0), 6)
    found = register(shorter, longer, sun, sun, with_turn=False)
    assert np.hypot(found.dx, found.dy) < 0.1


def test_a_hot_pixel_that_clips_bends_nothing():
    values = np.full((60, 60), 500.0, np.float32)
    values[20, 30] = np.nan
    assert level_beside_clipped(Crop(values, 1.0, (0.0, 0.0))) == np.inf
    values[30:40, 30:40] = np.nan
    assert level_beside_clipped(Crop(values, 1.0, (0.0, 0.0))) == pytest.approx(500.0)


def test_a_moon_that_glare_hides_in_green_is_measured_in_red():
    rng = np.random.default_rng(9)
    sun, moon = (452.31, 318.64, R_SUN), (447.2, 321.9, R_MOON)
    light, _ = corona(SHAPE, sun, moon, rng, exposure=4.0, white=None, threads=0.1)
    y, x = np.indices(SHAPE)
    light += 2e4 * np.exp(-((np.hypot(x - sun[0], y - sun[1]) / (3 * R_SUN)) ** 2))
    colour = repeat(BAYER["RGGB"], SHAPE)
    data = np.clip(light * np.where(colour == 0, 0.4, 1.0), 0, 16000).astype(np.uint16)
    look = look_at(frame(data, BAYER["RGGB"]), exposure_s=2.0, named=None, stated=None)
    limbs = find_limbs(look, None)
    assert limbs.core is None
    assert limbs.found.moon.x == pytest.approx(moon[0], abs=0.4)
    assert limbs.found.moon.y == pytest.approx(moon[1], abs=0.4)
    assert limbs.crop is not None
    assert not limbs.in_green
    assert limbs.rim is None
    green = find_limbs(replace(look, dimmest=None), None)
    assert green.found.note == DROWNED
    assert green.core.radius > 1.2 * R_MOON


def test_frames_without_a_limb_are_compared_with_the_nearest_exposures_that_have_one(monkeypatch):
    exposure = np.tile([0.01, 0.1, 0.5, 4.0], 4)
    n = exposure.size
    loose = exposure > 1.0
    flat = np.full(n, 100.0)
    s = Session(np.arange(n), np.arange(n, dtype=float), exposure, flat, flat, flat, 0.01 * flat)
    monkeypatch.setattr(comparing, "detail_of", lambda *_: object())
    alike = Shift(0.1, 0.2, 0.0, 0.05, 0.01, 0.9)
    monkeypatch.setattr(comparing, "register", lambda *_, **__: alike)
    crop = Crop(np.ones((9, 9), np.float32), 1.0, (0.0, 0.0))
    found = compare(lambda row: crop, s, flat, flat, np.zeros(n), lambda: None, loose=loose)
    assert not any(loose[c.first] for c in found)
    for j in np.flatnonzero(loose):
        partners = [c for c in found if c.second == j]
        assert sorted(exposure[c.first] for c in partners) == [0.1, 0.5, 0.5, 0.5, 0.5]
        assert all(c.shift.sigma_px > 2.0 * alike.sigma_px for c in partners)
    assert {c.shift.sigma_px for c in found if not loose[c.second]} == {alike.sigma_px}
