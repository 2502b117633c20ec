"""The answer of a camera to light, found again from pairs of made-up exposures.

The curves are known, so what comes out is compared with what went in; the bound is the error of the
shutters, 5 %, which no number of pairs takes out of a curve's steepness.
"""

import numpy as np
import pytest

from limbward.camera.display import from_srgb
from limbward.camera.response import View, solve_response

EXPOSURES = 2.0 ** np.arange(-10, 1)


def srgb(light):
    """IEC 61966-2-1."""
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def filmic(light):
    """A converter's picture style: sRGB with a shoulder and a toe."""
    z = srgb(light)
    return z + 0.12 * np.sin(2 * np.pi * (z - 0.5)) / np.pi


ENCODED = {
    "sRGB": srgb,
    "gamma 1.8": lambda light: light ** (1 / 1.8),
    "gamma 2.4": lambda light: light ** (1 / 2.4),
    "filmic": filmic,
}


def pairs(
    curve, rng, *, bits=8, shutter=0.03, pedestal=0.0, cloud=0.0, scatter=0.01, exposures=EXPOSURES
):
    """Return neighbouring exposures of 200 places that span four decades of light."""
    scene = np.exp(rng.uniform(np.log(0.1), np.log(1e3), 200))
    views = []
    for light in exposures:
        true = light * np.exp(shutter * rng.standard_normal() - cloud * rng.random())
        seen = np.exp(scatter * rng.standard_normal(scene.size)) * scene * true
        stored = curve(np.clip(seen * (1 - pedestal) + pedestal, 0, 1))
        values = np.rint(stored * (2**bits - 1)) / (2**bits - 1)
        views.append(View(light, np.where(values >= 0.995, np.nan, values)))
    return [(a, b) for k in (1, 2) for a, b in zip(views, views[k:], strict=False)]


@pytest.mark.parametrize("name", ENCODED)
@pytest.mark.parametrize("seed", range(3))
def test_an_encoding_that_nothing_declares_is_found(name, seed):
    curve = ENCODED[name]
    tested = solve_response(pairs(curve, np.random.default_rng(seed)), declared=False)
    assert tested.is_straight is False
    light = np.geomspace(0.01, 0.9, 40)
    error = np.log(tested.response(curve(light)) / light)
    assert np.std(error) < 0.05
    assert np.all(np.diff(tested.response(np.linspace(0, 1, 500))) > 0)


@pytest.mark.parametrize("seed", range(3))
def test_a_declared_curve_that_is_not_the_whole_story_is_mended(seed):
    def decoded(light):
        return from_srgb(filmic(light))

    tested = solve_response(pairs(decoded, np.random.default_rng(seed), bits=16), declared=True)
    light = np.geomspace(0.01, 0.9, 40)
    before = np.std(np.log(decoded(light) / light))
    after = np.std(np.log(tested.response(decoded(light)) / light))
    assert before > 0.1
    assert after < 0.05


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("more", [{}, {"pedestal": 0.02}, {"shutter": 0.05}, {"cloud": 0.4}])
def test_linear_numbers_stay_linear(seed, more):
    rng = np.random.default_rng(seed)
    tested = solve_response(pairs(lambda x: x, rng, bits=14, **more), declared=False)
    assert tested.is_straight is True
    assert tested.response is None


@pytest.mark.parametrize("seed", range(3))
def test_coarse_brackets_of_a_shaken_camera_that_bends_stay_linear(seed):
    """Two stops apart, most places are dark in one frame or clipped in the other."""

    def bent(light):
        return np.where(light < 0.74, light, 0.74 + 0.2 * (1 - np.exp((0.74 - light) / 0.2)))

    coarse = {"bits": 14, "scatter": 0.15, "cloud": 0.4, "exposures": 4.0 ** np.arange(-6, 1)}
    tested = solve_response(pairs(bent, np.random.default_rng(seed), **coarse), declared=False)
    assert tested.is_straight is True
    assert tested.exponent == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize("seed", range(3))
def test_a_declared_curve_that_holds_is_left_alone(seed):
    tested = solve_response(pairs(lambda x: x, np.random.default_rng(seed)), declared=True)
    assert tested.response is None


def test_nothing_is_told_by_one_exposure():
    rng = np.random.default_rng(0)
    assert solve_response([], declared=False).is_straight is None
    few = pairs(srgb, rng, exposures=EXPOSURES[:2])
    assert solve_response(few, declared=False).response is None
