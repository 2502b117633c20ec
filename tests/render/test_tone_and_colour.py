"""The tone curve's promises, and colours that must come out as they are known."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from limbward.render.colour import (
    luminance,
    paint,
    solar_white,
    to_linear_srgb,
)
from limbward.render.tone import ToneCurve, fit_tone, graded, tone_mapped, ungraded

CURVES = st.builds(
    lambda dark, span, soft: ToneCurve(dark, dark + span, span * soft),
    st.floats(-100, 100),
    st.floats(1, 1e6),
    st.floats(1e-4, 10),
)


@given(curve=CURVES, a=st.floats(-1e6, 1e6), b=st.floats(-1e6, 1e6))
def test_tone_is_monotone(curve, a, b):
    low, high = curve.lightness(np.array([min(a, b), max(a, b)]))
    assert low <= high
    if abs(a - b) > 1e-6 * max(abs(a), abs(b), 1.0):
        assert low < high


@given(curve=CURVES, share=st.floats(-0.5, 3.0))
def test_tone_is_inverted(curve, share):
    radiance = np.array([curve.dark + share * (curve.bright - curve.dark)])
    back = curve.radiance(curve.lightness(radiance))
    assert back == pytest.approx(radiance, abs=1e-9 * (curve.bright - curve.dark + abs(curve.dark)))


def test_tone_meets_its_ends():
    curve = ToneCurve(2.0, 5000.0, 4.0, 0.05, 0.95)
    np.testing.assert_allclose(curve.lightness(np.array([2.0, 5000.0])), [0.05, 0.95])
    with pytest.raises(ValueError, match="bright > dark"):
        ToneCurve(5.0, 2.0, 1.0)


def test_fitted_tone_spans_the_corona():
    y, x = np.indices((300, 300))
    rho = (np.hypot(x - 149.5, y - 149.5) / 40).astype(np.float32)
    light = np.where(rho > 1.02, 1000 * np.maximum(rho, 1) ** -6 + 1.0, np.nan).astype("f4")
    curve = fit_tone(light, rho)
    shown = curve.lightness(light)
    assert np.nanmin(shown) > 0.0
    assert np.nanmedian(shown[(rho > 1.03) & (rho < 1.06)]) == pytest.approx(0.95, abs=0.05)
    assert np.nanmedian(shown[rho > 3.2]) < 0.15


def test_no_corona_no_curve():
    with pytest.raises(ValueError, match="limb"):
        fit_tone(np.ones((9, 9), np.float32), np.full((9, 9), 5.0, np.float32))


def test_grey_is_painted_grey_at_its_lightness():
    """L* 50 is sRGB 118.9 of 255 (IEC 61966-2-1)."""
    out = paint(np.full((2, 2), 0.5, np.float32), np.ones((3, 2, 2), np.float32))
    np.testing.assert_allclose(out, 118.9 / 255, atol=2e-3)


def test_bright_pink_is_darkened_not_bleached():
    pink = np.array([1.0, 0.22, 0.38], np.float32)
    ratio = (pink / luminance(pink[:, None, None])[0, 0])[:, None, None]
    out = paint(np.full((1, 1), 0.9, np.float32), ratio)[:, 0, 0]
    linear = np.where(out > 0.04045, ((out + 0.055) / 1.055) ** 2.4, out / 12.92)
    np.testing.assert_allclose(linear / linear[0], pink, atol=0.01)
    assert out[0] == pytest.approx(1.0, abs=1e-3)


def test_white_comes_from_the_middle_corona():
    rng = np.random.default_rng(1)
    y, x = np.indices((200, 200))
    rho = (np.hypot(x - 99.5, y - 99.5) / 40).astype(np.float32)
    colour = np.array([0.5, 1.0, 0.7])
    radiance = colour[:, None, None] * (100 * np.maximum(rho, 1) ** -5)
    radiance = (radiance * rng.normal(1, 0.02, radiance.shape)).astype(np.float32)
    radiance[0][rho < 1.1] *= 4  # prominences do not count
    white = solar_white(radiance, rho, np.ones(3, np.float32))
    np.testing.assert_allclose(white, 1 / colour, rtol=0.01)
    linear = to_linear_srgb(radiance, white, np.eye(3, dtype=np.float32))
    ring = (rho > 1.2) & (rho < 1.6)
    np.testing.assert_allclose(linear[0][ring].mean() / linear[2][ring].mean(), 1.0, atol=0.01)


def test_white_comes_from_further_out_where_the_middle_corona_is_clipped():
    """What the clipped ring still shows here and there is pink, and no measure of white."""
    y, x = np.indices((200, 300), dtype=np.float32)
    rho = np.hypot(x - 149.5, y - 99.5) / np.float32(40.0)
    colour = np.array([0.5, 1.0, 0.7], np.float32)
    radiance = colour[:, None, None] * (100 * np.maximum(rho, 1) ** -5)
    radiance[0][rho < 1.7] *= 3
    radiance[:, rho < 1.6] = np.nan
    white = solar_white(radiance.astype(np.float32), rho, np.full(3, 9.0, np.float32))
    np.testing.assert_allclose(white, 1 / colour, rtol=0.01)


def test_white_falls_back_to_daylight():
    daylight = np.array([2.0, 1.0, 1.4], np.float32)
    nothing = np.full((3, 20, 20), np.nan, np.float32)
    np.testing.assert_array_equal(solar_white(nothing, np.ones((20, 20), "f4"), daylight), daylight)


def test_the_curve_begins_at_the_innermost_corona_that_is_known():
    """A clipped inner corona, and a Sun of 8 px whose ring the Moon's margin hides."""
    y, x = np.indices((200, 200), dtype=np.float32)
    for sun_px, first in ((30.0, 1.5), (8.0, 1.3)):
        rho = np.hypot(x - 99.5, y - 99.5) / np.float32(sun_px)
        light = (1e3 * np.maximum(rho, 1.0) ** -6 + 1.0).astype(np.float32)
        light[rho < first] = np.nan
        curve = fit_tone(light, rho)
        brightest = 1e3 * first**-6 + 1.0
        assert 0.6 * brightest < curve.bright <= brightest
        assert 0.9 < curve.dark < 2.0


GRADES = st.floats(-1.0, 1.0)


@given(brightness=GRADES, contrast=GRADES)
def test_a_grade_keeps_black_and_white_and_the_order_between(brightness, contrast):
    plain = np.linspace(0.0, 1.0, 501)
    shown = graded(plain, brightness, contrast)
    assert shown[[0, -1]] == pytest.approx([0.0, 1.0])
    assert np.all(np.diff(shown) > 0)
    assert ungraded(shown, brightness, contrast) == pytest.approx(plain, abs=2e-5)
    beyond = np.array([-0.2, 1.3])
    assert graded(beyond, brightness, contrast) == pytest.approx(beyond)


def test_brightness_and_contrast_do_what_their_names_say():
    middle = np.array([0.25, 0.5, 0.75])
    assert np.all(graded(middle, 0.5, 0.0) > middle)
    assert np.all(graded(middle, -0.5, 0.0) < middle)
    more, less = graded(middle, 0.0, 1.0), graded(middle, 0.0, -1.0)
    assert more[1] == pytest.approx(0.5)
    assert more[2] - more[0] > middle[2] - middle[0] > less[2] - less[0]
    assert graded(middle, 0.0, 0.0) is middle


@given(curve=CURVES, share=st.floats(0.0, 1.0), brightness=GRADES, contrast=GRADES)
def test_a_graded_curve_is_inverted(curve, share, brightness, contrast):
    tone = replace(curve, brightness=brightness, contrast=contrast)
    lightness = curve.lightness(np.array([curve.dark + share * (curve.bright - curve.dark)]))
    back = curve.lightness(tone.radiance(graded(lightness, brightness, contrast)))
    assert back == pytest.approx(lightness, abs=2e-5)


def test_noise_grows_as_the_graded_lightness_does():
    """The noise told with a lightness is the spread of the lightnesses of noisy radiances."""
    tone = ToneCurve(0.0, 1000.0, 1.0, brightness=0.4, contrast=0.7)
    rng = np.random.default_rng(4)
    for light in (0.5, 20.0, 400.0):
        radiance = np.full((1, 1), light, np.float32)
        spread = np.float32(0.01 * light) * np.ones((1, 1), np.float32)
        _, noise = tone_mapped(radiance, spread, np.ones((1, 1), bool), tone)
        many = tone.lightness(light * (1.0 + 0.01 * rng.standard_normal(20000)))
        assert noise[0, 0] == pytest.approx(many.std(), rel=0.03)
