"""Limbs of a ring: two whole circles, the Moon's within the Sun's."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from limbward.limb.measure import measure

SUN = 130.0
FINE = 4  # of the painter's pixels to one of the picture


def neckel_labs(mu):
    """Return the photosphere's brightness at 541 nm: Neckel & Labs, Solar Physics 153 (1994) 91."""
    terms = (0.30505, 1.13123, -0.78604, 0.40560, 0.02297, -0.07880)
    return sum(a * mu**k for k, a in enumerate(terms))


def ring_picture(ratio, dx, dy, *, blur=1.1, size=340, level=9000.0, seed=1):
    """Return a ring painted on a grid of finer pixels, its noise added, and the Sun's centre."""
    rng = np.random.default_rng(seed)
    x0, y0 = (size / 2 + rng.uniform(-3, 3, 2)).tolist()
    y, x = (np.indices((size * FINE, size * FINE)) + 0.5) / FINE - 0.5
    rho = np.hypot(x - x0, y - y0) / SUN
    picture = np.where(rho < 1, neckel_labs(np.sqrt(np.clip(1 - rho**2, 0, 1))), 0.0)
    picture[np.hypot(x - x0 - dx, y - y0 - dy) < ratio * SUN] = 0.0
    picture = gaussian_filter(picture, blur * FINE)
    picture = picture.reshape(size, FINE, size, FINE).mean(axis=(1, 3)) * level
    noisy = picture + rng.normal(0, 1, picture.shape) * np.sqrt(0.4 * picture + 9.0)
    return noisy.astype(np.float32), x0, y0


@pytest.mark.parametrize(
    ("ratio", "dx", "dy"), [(0.952, 0.0, 0.0), (0.952, 2.4, -1.1), (0.93, -6.0, 3.5)]
)
def test_both_circles_of_a_ring_are_found(ratio, dx, dy):
    """Asked: the vector that dates a frame within 0.1 px, which is half its stated 3 sigmas."""
    picture, x, y = ring_picture(ratio, dx, dy)
    found = measure(picture, np.zeros(picture.shape, bool), radius_ratio=ratio)
    assert found.kind == "partial"
    sun, moon = found.sun, found.moon
    assert sun is not None
    assert moon is not None
    assert np.hypot(sun.x - x, sun.y - y) < 0.1
    assert np.hypot(moon.x - sun.x - dx, moon.y - sun.y - dy) < 0.1
    assert abs(sun.radius - SUN) < 0.1
    assert np.hypot(sun.x - x, sun.y - y) < 4 * sun.sigma


def test_a_corona_round_the_moon_is_no_ring():
    """The inner corona falls by half in 0.06 radii (Baumbach 1937): no dark beyond it."""
    size = 340
    y, x = np.indices((size, size)) - size / 2.0
    rho = np.maximum(np.hypot(x, y) / 0.97 / SUN, 1.0)
    picture = np.where(np.hypot(x, y) < SUN, 0.0, 2.565 * rho**-17 + 1.425 * rho**-7)
    picture = gaussian_filter(picture, 1.1) * 3000.0
    noise = np.random.default_rng(2).normal(0, 1, picture.shape) * np.sqrt(0.4 * picture + 9.0)
    found = measure((picture + noise).astype(np.float32), np.zeros(picture.shape, bool))
    assert found.kind == "totality"
    assert found.sun is None
