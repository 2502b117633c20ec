"""Suns of a few pixels, painted: placed by the whole corona, and what they are by their light."""

import numpy as np
import pytest
from scipy import ndimage

from limbward.limb.corona import crop_corona
from limbward.limb.small import SMALL_RADIUS, around, bright_core, register_blobs

FINE = 5  # painted pixels to one of the plane
SHAPE = (90, 110)
RANGE = 15000.0


def corona(x: float, y: float, radius: float, exposure: float, rng):
    """A corona with streamers, a prominence a hundred times as bright, a sky, noise and clipping.

    Painted five times finer, blurred by a pixel and binned; ``exposure`` is the light of the
    innermost corona in ADU.
    """
    rows, columns = np.indices((SHAPE[0] * FINE, SHAPE[1] * FINE), dtype=np.float32)
    dx, dy = ((v + 0.5) / FINE - 0.5 - c for v, c in ((columns, x), (rows, y)))
    r = np.hypot(dx, dy) / radius
    angle = np.arctan2(dy, dx)
    light = (1.0 + 0.6 * np.cos(2 * angle) + 0.3 * np.sin(5 * angle)) * np.maximum(r, 1.0) ** -5
    light += 3.0 * np.exp(-(((dx / radius - 0.8) ** 2 + (dy / radius - 0.8) ** 2) / 0.02))
    light[r < 1.02] = 0.0
    light += 0.002 * (1.0 + 0.004 * dx)
    plane = ndimage.gaussian_filter(exposure * light, 0.8 * FINE)
    plane = plane.reshape(SHAPE[0], FINE, SHAPE[1], FINE).mean((1, 3))
    plane = rng.poisson(np.maximum(plane, 0.0) * 3.0) / 3.0 + rng.normal(0.0, 3.0, SHAPE)
    return np.minimum(plane, RANGE).astype(np.float32), plane >= 0.98 * RANGE


def cut(image, saturated):
    core = bright_core(image, saturated, 2.0, (0.5, 0.5))
    return core, crop_corona(image, saturated, 2.0, (0.5, 0.5), around(core, 2.0))


@pytest.mark.parametrize("radius", [2.2, 3.7, 5.5])
def test_frames_of_a_small_sun_are_registered_on_the_whole_corona(radius):
    """Brackets of eight stops, each frame elsewhere: the middle to a pixel, shifts to a fifth."""
    rng = np.random.default_rng(int(10 * radius))
    exposures = [400.0, 1600.0, 6400.0, 25600.0, 102400.0]
    suns = rng.uniform(-3.0, 3.0, (len(exposures), 2)) + np.array([55.0, 45.0])
    cores, crops = zip(
        *(cut(*corona(*s, radius, e, rng)) for s, e in zip(suns, exposures, strict=True)),
        strict=True,
    )
    true = 2.0 * suns + 0.5
    for core, (x, y) in zip(cores, true, strict=True):
        assert np.hypot(core.x - x, core.y - y) < 3.0 * core.sigma
        assert core.sigma < 2.0
    for i, j in [(0, 1), (1, 2), (2, 3), (3, 4), (1, 3)]:
        found = register_blobs(
            crops[i], crops[j], (cores[i].x, cores[i].y), (cores[j].x, cores[j].y)
        )
        assert found is not None
        assert found.correlation > 0.8
        dx = cores[i].x + found.dx - cores[j].x - (true[i, 0] - true[j, 0])
        dy = cores[i].y + found.dy - cores[j].y - (true[i, 1] - true[j, 1])
        assert np.hypot(dx, dy) < (0.2 if exposures[i] > 1000 else 0.6)
        assert np.hypot(dx, dy) < 4.0 * found.sigma_px


def test_a_turned_corona_is_registered_with_its_turn():
    """The second frame's Sun is the first's turned by 90 degrees about it: x goes to y."""
    rng = np.random.default_rng(3)
    image, saturated = corona(55.0, 45.0, 3.7, 6400.0, rng)
    _, crop = cut(image, saturated)
    turned = np.rot90(image, -1).copy()  # clockwise on the screen, where y runs down: from x to y
    other = crop_corona(
        turned, np.zeros(turned.shape, bool), 2.0, (0.5, 0.5), around(bright_core(
            turned, np.zeros(turned.shape, bool), 2.0, (0.5, 0.5)), 2.0))  # fmt: skip
    x, y = 55.0, 45.0
    sun = (2.0 * (SHAPE[0] - 1 - y) + 0.5, 2.0 * x + 0.5)
    there = (2.0 * x + 0.5, 2.0 * y + 0.5)
    right = register_blobs(crop, other, there, sun, turn_deg=-90.0)
    assert right is not None
    assert np.hypot(right.dx, right.dy) < 0.05
    assert right.correlation > 0.999  # pixel by pixel the same picture
    wrong = register_blobs(crop, other, there, sun, turn_deg=90.0)
    assert wrong is None or wrong.correlation < right.correlation - 0.01


def test_what_has_nothing_in_common_is_not_registered():
    rng = np.random.default_rng(8)
    image, saturated = corona(55.0, 45.0, 3.7, 6400.0, rng)
    core, crop = cut(image, saturated)
    sky = crop_corona(
        rng.normal(0.0, 3.0, SHAPE).astype(np.float32), np.zeros(SHAPE, bool), 2.0, (0.5, 0.5),
        around(core, 2.0),
    )  # fmt: skip
    at = (core.x, core.y)
    found = register_blobs(crop, sky, at, at)
    assert found is None or found.correlation < 0.5
    clipped = crop_corona(image, np.ones(SHAPE, bool), 2.0, (0.5, 0.5), around(core, 2.0))
    assert register_blobs(crop, clipped, at, at) is None


def test_no_small_sun_is_seen_where_there_is_none():
    rng = np.random.default_rng(9)
    noise = rng.normal(0.0, 3.0, SHAPE).astype(np.float32)
    nothing = np.zeros(SHAPE, bool)
    assert bright_core(noise, nothing) is None
    y, x = np.indices(SHAPE)
    large = noise + 5000.0 * (np.hypot(x - 50, y - 45) < 5.0 * SMALL_RADIUS)
    assert bright_core(large.astype(np.float32), nothing) is None
    noise[40, 60:62] = 9000.0  # two hot pixels
    assert bright_core(noise, nothing) is None
