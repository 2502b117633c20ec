"""The filtered Sun measured as a whole, on pictures painted here by other means.

Pictures are painted by supersampling and blurred by a convolution, with none of the product's code.
The darkening is H. Neckel, D. Labs, Solar Physics 153 (1994) 91, 520 nm (from memory). The bounds
are what the clock needs: 0.1 px of a Sun of 170 px is half an arcsecond, a second of time.
"""

from __future__ import annotations

from math import cos, sin

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage, signal

from limbward.limb.filtered_sun import fit_filtered_sun
from limbward.limb.measure import measure

RATIO = 1.04
DARKENING = (0.30505, 1.13123, -0.78604, 0.40560, 0.02297, -0.07880)


def covered(n: int, x: float, y: float, r: float, over: int) -> tuple[np.ndarray, np.ndarray]:
    at = (np.arange(n * over) + 0.5) / over - 0.5
    d = np.hypot(at[None, :] - x, at[:, None] - y)
    return np.clip((r - d) * over + 0.5, 0, 1), d


def picture(
    radius: float,
    thickest: float,
    *,
    blur: float = 1.2,
    trail: float = 0.0,
    aureole: float = 0.0,
    reach: float = 60.0,
    slope: float = 0.0,
    angle: float = 0.7,
    seed: int = 0,
):
    """Return a crescent of 3000 counts on noise of 5, with its Sun and Moon."""
    over, n = 6, 2 * int(1.5 * radius + 24)
    sun = np.array([n / 2 + 0.31, n / 2 - 0.17])
    apart = thickest - radius + RATIO * radius
    moon = sun + apart * np.array([cos(angle), sin(angle)])
    lit, d = covered(n, *sun, radius, over)
    dark, _ = covered(n, *moon, RATIO * radius, over)
    mu = np.sqrt(np.clip(1 - (d / radius) ** 2, 0, 1))
    light = lit * (1 - dark) * np.polynomial.polynomial.polyval(mu, DARKENING)
    light *= 1 + slope * (np.arange(n * over)[None, :] / (n * over) - 0.5)
    image = ndimage.gaussian_filter(light, blur * over).reshape(n, over, n, over).mean((1, 3))
    if trail:
        image = ndimage.uniform_filter1d(image, int(trail), axis=1)
    if aureole:
        y, x = np.mgrid[-n + 1 : n, -n + 1 : n]
        r = np.hypot(x, y)
        wings = np.exp(-r / reach) / (r + 8.0)
        spread = signal.fftconvolve(image, wings / wings.sum(), mode="same")
        image = (1 - aureole) * image + aureole * spread
    rng = np.random.default_rng(seed)
    image = 3000 * image + rng.normal(0, 1, image.shape) * np.sqrt(25 + 900 * image)
    return image.astype(np.float32), sun, moon


def measured(image):
    return measure(image, np.zeros(image.shape, bool), radius_ratio=RATIO)


@pytest.mark.parametrize(("radius", "thickest"), [(50.0, 4.0), (50.0, 10.0), (24.0, 6.0)])
def test_a_thin_crescent_is_measured(radius, thickest):
    image, sun, moon = picture(radius, thickest)
    found = measured(image)
    assert found.kind == "partial"
    width = (
        found.sun.radius
        - found.moon.radius
        + np.hypot(found.moon.x - found.sun.x, found.moon.y - found.sun.y)
    )
    assert width == pytest.approx(thickest, abs=0.12)
    # The point of the Sun's limb in the middle of the crescent, which is what is seen.
    away = (sun - moon) / np.hypot(*(sun - moon))
    middle = np.array([found.sun.x, found.sun.y]) + found.sun.radius * away
    assert np.hypot(*(middle - sun - radius * away)) < 0.12


@pytest.mark.parametrize("radius", [5.0, 8.0, 12.0])
def test_a_sun_of_a_few_pixels_is_measured(radius):
    image, sun, moon = picture(radius, radius, blur=0.8)
    wide = np.zeros((420, 640), np.float32)
    wide += np.random.default_rng(1).normal(0, 5, wide.shape).astype(np.float32)
    n = image.shape[0]
    wide[200 : 200 + n, 300 : 300 + n] = image
    found = measured(wide)
    assert found.kind == "partial"
    assert np.hypot(found.sun.x - 300 - sun[0], found.sun.y - 200 - sun[1]) < 0.12
    assert np.hypot(found.moon.x - 300 - moon[0], found.moon.y - 200 - moon[1]) < 0.15


@pytest.mark.parametrize("reach", [20.0, 90.0])
def test_scattered_light_moves_nothing(reach):
    clear, sun, _ = picture(60.0, 40.0, seed=3)
    hazy, _, _ = picture(60.0, 40.0, aureole=0.05, reach=reach, seed=3)
    a, b = measured(clear).sun, measured(hazy).sun
    assert np.hypot(a.x - b.x, a.y - b.y) < 0.05
    assert np.hypot(b.x - sun[0], b.y - sun[1]) < 0.1


def test_a_cloud_over_half_of_the_disc_moves_little():
    image, sun, _ = picture(60.0, 30.0, slope=1.2)
    found = measured(image)
    assert np.hypot(found.sun.x - sun[0], found.sun.y - sun[1]) < 0.15


def test_a_trailed_crescent_stays_in_the_middle_of_its_trail():
    image, sun, _ = picture(60.0, 30.0, trail=7)
    found = measured(image)
    assert np.hypot(found.sun.x - sun[0], found.sun.y - sun[1]) < 0.25


def test_a_corona_is_no_filtered_sun():
    n, radius = 300, 60.0
    y, x = np.mgrid[:n, :n]
    r = np.hypot(x - 150.3, y - 149.6) / radius
    corona = np.where(r > 1, 1500 * (0.7 * r**-8.0 + 0.3 * r**-2.5), 2.0)
    corona = ndimage.gaussian_filter(corona, 1.2)
    image = corona + np.random.default_rng(0).normal(0, 4, corona.shape)
    assert measured(image.astype(np.float32)).kind == "totality"


@settings(max_examples=25, deadline=None)
@given(
    st.integers(10, 60), st.integers(10, 60), st.floats(2.0, 40.0), st.floats(0.0, 1e4),
    st.integers(0, 9), st.booleans(),
)  # fmt: skip
def test_any_picture_gives_a_finite_result_or_none(height, width, radius, light, seed, moon):
    rng = np.random.default_rng(seed)
    image = (rng.normal(0, 3, (height, width)) + light * rng.random((height, width))).astype("f4")
    clipped = rng.random(image.shape) > 0.9
    sun = (width / 2, height / 2, radius)
    other = (width / 2 + radius, height / 2, radius) if moon else None
    found = fit_filtered_sun(image, clipped, sun, other, noise=3.0, radius_ratio=1.03)
    if found is not None:
        sizes = [*found.sun, found.sun_sigma, *found.blur, *found.light, found.explained]
        assert np.isfinite(sizes).all()
        assert found.sun_sigma > 0
