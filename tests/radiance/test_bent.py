"""Frames of a lens with distortion, the Sun in several places of them, merged into one corona."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from limbward.geometry.disc import Disc
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.radiance.calibrate import Calibration
from limbward.radiance.comparison import affines
from limbward.radiance.merge import MergeFrame, merge, moon_box, on_moon
from limbward.radiance.registered import register_frames, weight_maps
from tests.radiance.scene import Scene, Shot

WIDTH, HEIGHT, GROWTH = 500, 340, 0.02
CORNER = np.hypot(WIDTH, HEIGHT) / 2
MIDDLE = (WIDTH - 1) / 2, (HEIGHT - 1) / 2
PLACES = [(210, 140), (300, 200), (255, 110), (240, 235), (330, 150), (180, 190)]


class BentScene(Scene):
    """A scene through a lens: each pixel sees what is at its place without distortion.

    That is found by repeated division, unlike in the code under test.
    """

    def seen(self):
        y, x = super().seen()
        x, y = x - MIDDLE[0], y - MIDDLE[1]
        share = np.ones_like(x)
        for _ in range(30):
            share = 1.0 / (1.0 + GROWTH * share**2 * (x**2 + y**2) / CORNER**2)
        return np.stack([y * share + MIDDLE[1], x * share + MIDDLE[0]])


def bent(x, y):
    grow = 1.0 + GROWTH * ((x - MIDDLE[0]) ** 2 + (y - MIDDLE[1]) ** 2) / CORNER**2
    return MIDDLE[0] + (x - MIDDLE[0]) * grow, MIDDLE[1] + (y - MIDDLE[1]) * grow


def merged(lens, turn):
    """Return the merge with a lens taken out, and the scene."""
    scene = BentScene(WIDTH, HEIGHT, 40.0, noisy=False, white=60000.0)
    shots = [Shot(1.5, sun_x=x, sun_y=y, moon_dx=1.0, rotation_deg=turn) for x, y in PLACES]
    raws = [scene.frame(s, np.random.default_rng(1)) for s in shots]
    views = []
    for shot, raw in zip(shots, raws, strict=True):
        view = scene.view(shot, raw)
        moon = scene.moon(shot)
        x, y = bent(moon.x, moon.y)
        fields = {"lens": lens, "moon": replace(moon, x=x, y=y)}
        views.append(replace(view, **fields))
    registered = register_frames(views, scene.grid)
    small = scene.truth().reshape(3, HEIGHT // 2, 2, WIDTH // 2, 2).mean(axis=(2, 4))
    assert registered.factor == 2
    coarse = registered.signal / 1.5 / small - 1.0
    weights, predicted = weight_maps(registered, np.ones(len(views)))
    frames = [
        MergeFrame(v.affine, v.exposure_s, np.zeros(3), v.moon, v.noise, w, lens=lens)
        for v, w in zip(views, weights, strict=True)
    ]
    calibration = Calibration()
    sky, _ = merge(
        frames, enumerate(raws), scene.grid, registered.factor, predicted,
        lambda k, r: calibration,
    )  # fmt: skip
    return sky, scene, coarse


def off(sky, scene):
    """Return by how much the rays' brightness is off in the outer corona, root mean square."""
    rho = scene.rho()
    relative = sky.radiance / scene.truth() - 1.0
    ring = (rho > 1.5) & (rho < 3.5) & np.isfinite(relative).all(axis=0)
    assert ring.sum() > 20000
    return float(np.sqrt(np.mean(relative[:, ring] ** 2)))


@pytest.mark.parametrize("turn", [0.0, 12.0])
def test_the_corona_is_that_of_a_lens_without_distortion(turn):
    """Through aligned rows and turned ones; a tenth of the distortion left would be 0.19 %."""
    lens = Lens.of_frame(WIDTH, HEIGHT, GROWTH)
    sky, scene, coarse = merged(lens, turn)
    left, _, coarse_left = merged(STRAIGHT, turn)
    assert off(sky, scene) < 1.5e-3
    assert off(left, scene) > 1e-2
    rho = scene.rho()[::2, ::2]
    outer = (rho > 2.0) & (rho < 3.5)
    spread = [float(np.nanstd(c[:, :, outer])) for c in (coarse, coarse_left)]
    assert spread[0] < 0.8 * spread[1]  # what is left is the bilinear interpolation


def test_suns_and_moons_of_frames_are_made_straight():
    """The grid's Sun falls on each frame's, and its Moon's box on each frame's Moon, as drawn."""
    scene = Scene(WIDTH, HEIGHT, 40.0)
    lens = Lens.of_frame(WIDTH, HEIGHT, GROWTH)
    suns = [Disc(float(x), float(y), 40.0) for x, y in PLACES]
    frames = SimpleNamespace(sun=suns, rotation_deg=np.linspace(0.0, 20.0, len(suns)))
    field = SimpleNamespace(lens=lens, grid=scene.grid, camera=scene.camera)
    moon = Disc(150.0, 99.0, 41.0)
    for affine, sun in zip(affines(frames, field), suns, strict=True):
        x, y = bent(*(affine @ [scene.grid.sun_x, scene.grid.sun_y, 1.0]))
        assert (x, y) == pytest.approx((sun.x, sun.y), abs=1e-6)
        none = np.zeros((3, 1, 1), np.float32)
        frame = MergeFrame(affine, 1.0, np.zeros(3), moon, scene.noise, none, lens=lens)
        box = moon_box(Disc(260.3, 170.8, 41.0))
        surface = on_moon(frame, box)
        middle = box.moon.x - box.left, box.moon.y - box.top
        assert bent(*(surface.affine @ [*middle, 1.0])) == pytest.approx((moon.x, moon.y), abs=1e-6)
        assert surface.lens == lens
