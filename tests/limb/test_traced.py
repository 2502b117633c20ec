"""Limbs traced along a crescent, on pictures whose mountains are known."""

import numpy as np
import pytest
from scipy import ndimage

from limbward.limb.filtered_sun import FilteredSun
from limbward.limb.traced import traced_limbs

SUN, MOON = (152.3, 148.7, 120.0), (120.1, 131.2, 124.0)
BLUR, NOISE, LEVEL = 1.1, 6.0, 4000.0
SIZE, OVER = 300, 4


def mountains(angle):
    """Heights in pixels, rms 0.5: up to 20 waves around the Moon."""
    waves = [(7, 0.4, 0.3), (11, 0.35, 1.7), (20, 0.3, 4.0), (3, 0.35, 2.0)]
    return sum(a * np.sin(k * angle + phase) for k, a, phase in waves)


def crescent(heights=mountains, seed=3):
    """A darkened disc with a rough Moon cut out, in 4 x 4 samples a pixel.

    The law is Allen's for 550 nm (A. N. Cox, 2000, section 14.7), not the one that is fitted.
    """
    at = (np.arange(SIZE * OVER) + 0.5) / OVER - 0.5
    x, y = at[None, :], at[:, None]
    r = np.hypot(x - SUN[0], y - SUN[1]) / SUN[2]
    mu = np.sqrt(np.maximum(1 - r**2, 0.0))
    light = np.where(r < 1, 0.30 + 0.93 * mu - 0.23 * mu**2, 0.0)
    dx, dy = x - MOON[0], y - MOON[1]
    light[np.hypot(dx, dy) < MOON[2] + heights(np.arctan2(dy, dx))] = 0.0
    light = ndimage.gaussian_filter(light, BLUR * OVER)
    light = light.reshape(SIZE, OVER, SIZE, OVER).mean(axis=(1, 3))
    rng = np.random.default_rng(seed)
    noisy = LEVEL * light + rng.normal(0, NOISE, light.shape) * np.sqrt(1 + 5 * light)
    return noisy.astype(np.float32)


def fit(blur=BLUR, off=(0.0, 0.0)):
    """What a fit of the picture may have found: its circles off by half a pixel, its blur wide."""
    moon = (MOON[0] + off[0], MOON[1] + off[1], MOON[2])
    return FilteredSun(
        SUN, moon, 0.01, 0.01, 0.0, 0.0, (blur**2, 0.0, blur**2), (1.0, 0.0, 0.0, 0.0), 0.999, 1.0
    )  # fmt: skip


def traced(image, found):
    limbs = traced_limbs(image, np.zeros(image.shape, bool), found, NOISE)
    assert limbs is not None
    return limbs


@pytest.mark.parametrize("found", [fit(), fit(blur=8.0), fit(off=(0.5, -0.4))])
def test_the_moons_limb_is_where_its_mountains_are(found):
    """Whatever circle the picture was fitted with, and however wide it took the blur to be."""
    _, moon = traced(crescent(), found)
    dx, dy = moon[:, 0] - MOON[0], moon[:, 1] - MOON[1]
    off = np.hypot(dx, dy) - MOON[2] - mountains(np.arctan2(dy, dx))
    assert len(moon) > 150
    assert np.std(off) < 0.08
    assert abs(np.mean(off)) < 0.03
    # A circle would be off by the mountains themselves.
    assert np.std(mountains(np.arctan2(dy, dx))) > 0.4


def test_the_suns_limb_is_round_and_where_it_is():
    sun, _ = traced(crescent(), fit())
    off = np.hypot(sun[:, 0] - SUN[0], sun[:, 1] - SUN[1]) - SUN[2]
    assert len(sun) > 200
    assert abs(np.mean(off)) < 0.03
    assert np.std(off) < 0.05


def test_errors_are_stated_honestly():
    _, moon = traced(crescent(heights=lambda angle: 0.0 * angle), fit())
    off = np.hypot(moon[:, 0] - MOON[0], moon[:, 1] - MOON[1]) - MOON[2]
    assert 0.5 < np.sqrt(np.mean((off / moon[:, 2]) ** 2)) < 1.5


def test_what_is_clipped_is_no_limb():
    image = crescent()
    clipped = np.zeros(image.shape, bool)
    clipped[:, 200:] = True
    limbs = traced_limbs(image, clipped, fit(), NOISE)
    assert limbs is None or limbs[0][:, 0].max(initial=0) < 205


def test_discs_too_small_and_a_whole_sun_are_left_to_the_fit():
    image = crescent()
    clear = np.zeros(image.shape, bool)
    small = FilteredSun(
        (50.0, 50.0, 20.0), (45.0, 50.0, 20.0), 0.1, 0.1, 0.0, 0.0, (1.0, 0.0, 1.0),
        (1.0, 0.0, 0.0, 0.0), 0.999, 1.0,
    )  # fmt: skip
    assert traced_limbs(image, clear, small, NOISE) is None
    whole = FilteredSun(
        SUN, None, 0.1, np.nan, 0.0, 0.0, (1.0, 0.0, 1.0), (1.0, 0.0, 0.0, 0.0), 0.999, 1.0
    )  # fmt: skip
    assert traced_limbs(image, clear, whole, NOISE) is None
