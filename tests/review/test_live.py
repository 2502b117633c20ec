"""The picture at screen size against the one that a run makes, and its new options."""

from __future__ import annotations

import numpy as np
import pytest

from limbward import filters
from limbward.camera.colours import read_colours
from limbward.geometry.grid import read_geometry
from limbward.geometry.merged import geometry_of
from limbward.picture.resampling import shrink
from limbward.radiance.binned import bin_header
from limbward.render.compose import Look, compose
from limbward.render.live import LivePicture, White, mean_of, scaled_params
from limbward.render.rotate import turned_up
from limbward.render.tone import ToneCurve, tone_mapped
from limbward.render.white import daylight_rgb, white_gains
from tests.review.made import made_merge

STEPS = [("nrgf", {}), ("tangential_unsharp", {"amount": 0.5})]


@pytest.fixture(scope="module")
def merge():
    image, sigma, header, surface = made_merge(300, 200)
    return image, sigma, header, (surface, header["MOONTOP"], header["MOONLEFT"])


def finished(merge, look, white_balance="solar"):
    image, sigma, header, surface = merge
    _, sun, moon = read_geometry(header)
    filtered, _ = filters.apply_steps(image, sigma, geometry_of(header), STEPS)
    made = compose(
        image.copy(),
        iter(sigma),
        mean_of(filtered),
        sun,
        moon,
        *read_colours(header),
        look,
        surface,
    )
    return made.picture


def test_it_is_what_compose_makes(merge):
    """Whatever was asked before: what is kept is not mistaken for what is asked."""
    image, sigma, header, surface = merge
    live = LivePicture(image.copy(), sigma, header, 1, surface)
    looks = [
        Look(),
        Look(sky=0.1),
        Look(sky=0.1, detail=0.3, saturation=0.5),
        Look(white_balance="daylight", earthshine=0.0),
        Look(level_sky=True, outer=1e-4),
        Look(),
    ]
    for look in looks:
        white = White(look.white_balance, look.level_sky)
        np.testing.assert_array_equal(live.picture(look, white, STEPS), finished(merge, look))


def test_a_smaller_one_is_like_the_whole_made_smaller():
    image, sigma, header, _ = made_merge(900, 600)
    whole = finished((image, sigma, header, None), Look())
    small, _ = shrink(image, factor=2)
    noise = np.sqrt(shrink(sigma**2, factor=2)[0]) / 2
    own = header.copy()
    bin_header(own, 2, small.shape[1:])
    live = LivePicture(small, noise, own, 2, None)
    made = live.picture(Look(), White(), STEPS)
    y, x = np.indices(made.shape[1:])
    rho = np.hypot(x - live.sun.x, y - live.sun.y) / live.sun.radius
    ring = (rho > 1.3) & (rho < 4.0)
    # 0.01 is two and a half of a screen's 255 steps.
    assert np.abs(made - shrink(whole, factor=2)[0])[:, ring].mean() < 0.01


def test_parameters_in_pixels_follow_the_size():
    assert scaled_params("nrgf", {"width_px": 4.0, "coverage": 0.5}, 4) == {
        "width_px": 1.0,
        "coverage": 0.5,
    }
    small = scaled_params("mgn", {}, 8)["widths_px"]
    assert small[-1] == 5.0
    assert min(small) > 0.3  # the least that the filter takes
    assert scaled_params("nrgf", {"coverage": 0.5}, 1) == {"coverage": 0.5}


def test_daylight_is_that_of_the_cie():
    """D50 has x = 0.3457 and y = 0.3585 (CIE 15:2004, table T.3; from memory)."""
    matrix = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    xyz = matrix @ daylight_rgb(1e6 / 5003.0)
    assert xyz[:2] / xyz.sum() == pytest.approx([0.3457, 0.3585], abs=2e-4)


def test_white_moves_the_way_that_is_said():
    warm, cold, pink = white_gains(40, 0), white_gains(-40, 0), white_gains(0, 0.5)
    assert warm[0] > 1 > warm[2]
    assert cold[0] < 1 < cold[2]
    assert pink[1] < 1 < pink[0]
    for gains in (warm, cold, pink):
        assert gains @ [0.2126, 0.7152, 0.0722] == pytest.approx(1.0, abs=1e-3)


def test_a_turn_anticlockwise_moves_what_was_up_to_the_left(merge):
    """Position angles grow anticlockwise: if P is up before, P - 90 degrees is up after."""
    header = merge[2]
    before, _ = turned_up(header, "celestial_north", 0.0)
    after, words = turned_up(header, "celestial_north", 90.0)
    assert (before - after) % 360.0 == 90.0
    assert words == "celestial north up, turned 90° anticlockwise"


def test_the_tone_in_rows_is_the_curve_and_its_slope():
    curve = ToneCurve(dark=5.0, bright=1e5, soft=100.0)
    light = np.concatenate([-np.logspace(3, -2, 60), np.logspace(-2, 6, 140)]).astype("f4")
    light = light.reshape(10, 20)
    known = np.ones(light.shape, bool)
    known[3, 4] = False
    shown, noise = tone_mapped(light, np.full(light.shape, 0.01, "f4"), known, curve)
    wide = light.astype(float)
    np.testing.assert_allclose(shown, curve.lightness(wide), atol=1e-6)
    slope = (curve.lightness(wide + 0.005) - curve.lightness(wide - 0.005)) / 0.01
    np.testing.assert_allclose(noise[known], 0.01 * slope[known], rtol=1e-4)
    assert noise[3, 4] == 0.0
