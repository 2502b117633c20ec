"""The blur of a stack, told by its limb."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr

from limbward.sequences.limb_blur import blur_of_edge, blur_of_limb
from tests.apart.corona import darkening

SIDE, FINE, RADIUS = 161, 5, 64.0


def limb(blur, spicules=0.0, scale=10.0, noise=0.0):
    """A disc darkened by the other simulator's law, and the blur of it with that of the pixels."""
    x = (np.arange(SIDE * FINE) + 0.5) / FINE - 0.5 - (SIDE - 1) / 2
    r = np.hypot(x[None, :], x[:, None])
    light = darkening(np.sqrt(np.clip(1 - (r / RADIUS) ** 2, 0, 1)), 0)
    inside = np.clip((RADIUS - r) * FINE + 0.5, 0, 1)
    tail = spicules * np.exp(-np.clip(r - RADIUS, 0, None) * scale / 2.0)
    light = gaussian_filter((inside * light + (1 - inside) * tail).astype(np.float32), blur * FINE)
    light = light.reshape(SIDE, FINE, SIDE, FINE).mean(axis=(1, 3))
    light += noise * np.random.default_rng(3).standard_normal(light.shape)
    y = np.arange(SIDE) - (SIDE - 1) / 2
    away = (np.hypot(y[None, :], y[:, None]) / RADIUS).astype(np.float32)
    return light.astype(np.float32), away, np.hypot(blur, 12**-0.5)


SEEN = [(0.4, 0.0, 10.0), (1.5, 0.0, 10.0), (0.6, 0.03, 2.0)]


@pytest.mark.parametrize(("blur", "spicules", "scale"), SEEN)
def test_the_blur_is_that_of_air_lens_and_pixels(blur, spicules, scale):
    """With a straight line for the darkening half a pixel is read as 0.62."""
    picture, away, true = limb(blur, spicules, scale, noise=5e-4)
    for off in (-0.3, 0.3):
        radius = RADIUS + off
        found = blur_of_limb(picture, away * RADIUS / radius, radius, scale)
        assert found == pytest.approx(true, rel=0.03)


def test_without_a_limb_there_is_no_blur():
    _, away, _ = limb(0.5)
    grain = np.random.default_rng(1).standard_normal(away.shape).astype(np.float32)
    assert blur_of_limb(grain, away, RADIUS, 10.0) == 0.0
    assert blur_of_limb(np.full_like(grain, np.nan), away, RADIUS, 10.0) == 0.0


def test_the_blur_of_the_moons_limb_before_a_disc_that_slopes():
    beyond = np.random.default_rng(2).uniform(-6.0, 6.0, 4000)
    light = 0.02 + (0.9 + 0.01 * beyond) * ndtr((beyond - 0.3) / 0.6)
    light += 0.01 * np.random.default_rng(4).standard_normal(4000)
    assert blur_of_edge(beyond, light) == pytest.approx(0.6, rel=0.03)
    assert blur_of_edge(beyond, np.random.default_rng(5).standard_normal(4000)) == 0.0
    assert blur_of_edge(beyond[:0], light[:0]) == 0.0
