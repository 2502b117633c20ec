from dataclasses import replace

import numpy as np
import pytest

from limbward.simulate.passage import Ghost, Passage, gain_nodes, pass_through
from limbward.simulate.scene import Scene

SHAPE = (301, 423)  # odd, and no multiple of any cell


def spot(x, y, sigma=3.0, light=1000.0):
    v, u = np.indices(SHAPE, dtype=float)
    image = np.exp(-0.5 * ((u - x) ** 2 + (v - y) ** 2) / sigma**2)
    return (image * light / image.sum()).astype(np.float32)


def through(white, passage, pink=None):
    pink = np.zeros_like(white) if pink is None else pink
    return pass_through(Scene(white.copy(), pink.copy()), passage)


def centroid(image):
    v, u = np.indices(image.shape, dtype=float)
    total = image.sum(dtype=float)
    return (image * u).sum(dtype=float) / total, (image * v).sum(dtype=float) / total


def test_a_clear_way_changes_nothing():
    white = spot(200.0, 150.0)
    assert np.array_equal(through(white, Passage(scale_arcsec=5.0)).white, white)


def test_the_aureole_keeps_the_light_and_its_middle():
    white = spot(215.3, 148.6)
    # Wings of 4 to 20 px: none of the light leaves the picture.
    passage = Passage(scale_arcsec=5.0, aureole=0.1, aureole_arcsec=(20.0, 100.0))
    seen = through(white, passage).white
    assert seen.sum(dtype=float) == pytest.approx(1000.0, rel=1e-4)
    assert centroid(seen - 0.9 * white) == pytest.approx((215.3, 148.6), abs=0.05)


def test_the_aureole_is_the_sum_of_its_gaussians():
    """The light within a circle, by the integral of each Gaussian on its own."""
    white = spot(211.0, 150.0, sigma=1.5)
    passage = Passage(scale_arcsec=5.0, aureole=0.2, aureole_arcsec=(40.0, 160.0))
    wings = through(white, passage).white - np.float32(0.8) * white
    v, u = np.indices(SHAPE, dtype=float)
    r = np.hypot(u - 211.0, v - 150.0)
    sigmas = np.geomspace(8.0, 32.0, 4)
    for radius in (10.0, 20.0, 40.0, 80.0):
        expected = 200.0 * np.mean(1 - np.exp(-0.5 * radius**2 / (sigmas**2 + 1.5**2)))
        assert wings[r < radius].sum(dtype=float) == pytest.approx(expected, rel=0.03)


def test_light_does_not_come_in_on_the_far_side():
    white = spot(3.0, 150.0)
    passage = Passage(scale_arcsec=5.0, aureole=0.2, aureole_arcsec=(40.0, 160.0))
    seen = through(white, passage).white
    assert seen[:, -40:].max() < 1e-6 * seen.max()


def test_the_ghost_is_the_mirrored_picture():
    white = spot(120.0, 60.0) + spot(130.0, 90.0, light=400.0)
    axis = (200.3, 151.2)
    seen = through(white, Passage(scale_arcsec=5.0, ghost=Ghost(0.05, 2.0, axis))).white
    ghost = seen - white
    assert ghost.sum(dtype=float) == pytest.approx(0.05 * 1400.0, rel=1e-3)
    # A point p comes to 2 a - p: turn the picture about its middle, and move it.
    x, y = centroid(white)
    assert centroid(ghost) == pytest.approx((2 * axis[0] - x, 2 * axis[1] - y), abs=0.03)
    # The brighter spot stays the brighter one: 80 px right of the axis is 80 px left of it.
    at = np.unravel_index(np.argmax(ghost), ghost.shape)
    assert (at[1], at[0]) == pytest.approx((280.6, 242.4), abs=1.0)


def test_cloud_dims_both_pictures_by_its_gain():
    white, pink = spot(120.0, 60.0), spot(300.0, 200.0)
    x, y = gain_nodes(SHAPE, 12.0)
    assert x[-1] >= SHAPE[1] - 1
    assert y[-1] >= SHAPE[0] - 1
    nodes = 0.9 - 0.0005 * x + 0.0008 * y[:, None]  # a plane is interpolated exactly
    seen = through(white, Passage(scale_arcsec=5.0, gain=nodes, gain_step=12.0), pink)
    v, u = np.indices(SHAPE, dtype=float)
    gain = 0.9 - 0.0005 * u + 0.0008 * v
    assert seen.pink == pytest.approx(gain * pink, rel=1e-4, abs=1e-9)
    # The white picture has the forward glow upon it, over hundreds of pixels: nearly even here.
    bright = white > 0.1 * white.max()
    glow = np.median(seen.white[v > 200])
    assert (seen.white - glow)[bright] == pytest.approx((gain * white)[bright], rel=0.01)


def test_cloud_throws_half_of_what_it_takes_forward():
    white = spot(211.0, 150.0)
    # A coarse picture: 60 arcsec a pixel, so that the glow of 1200 arcsec stays in it.
    passage = Passage(scale_arcsec=60.0, gain=np.full((2, 2), 0.6), gain_step=500.0)
    seen = through(white, passage).white
    assert seen.sum(dtype=float) == pytest.approx(1000.0 * (0.6 + 0.5 * 0.4), rel=1e-3)


def test_cloud_shines_by_what_it_covers():
    dark = np.zeros(SHAPE, np.float32)
    passage = Passage(scale_arcsec=5.0, gain=np.full((2, 2), 0.7), gain_step=500.0, glow=2e-9)
    assert through(dark, passage).white == pytest.approx(0.3 * 2e-9, rel=1e-5)
    clear = replace(passage, gain=np.ones((2, 2)))
    assert through(dark, clear).white.max() == 0.0
