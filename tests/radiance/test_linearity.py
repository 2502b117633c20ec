"""The level at which a sensor bends, found from overlapping exposures, against the one put in."""

import numpy as np
import pytest

from limbward.radiance.linearity import linear_ceiling
from limbward.radiance.registered import register_frames
from limbward.radiance.relative import relative_exposures
from tests.radiance.scene import Scene, Shot

UPPER = 0.9
EXPOSURES = (1 / 500, 1 / 125, 1 / 30, 1 / 8, 1 / 2)


def found_ceiling(knees, compression=0.5, seed=3, cloud=0.0):
    """Return the ceiling found on a sensor that gains only half above ``knees`` of R, G, B.

    ``cloud`` makes the longest exposure uneven by that much.
    """
    scene = Scene(1200, 800, 150.0)
    rng = np.random.default_rng(seed)
    views = []
    for e in EXPOSURES:
        shot = Shot(e, 1.0, 600 + rng.uniform(-5, 5), 400 + rng.uniform(-5, 5))
        raw = scene.frame(shot, rng)
        span = scene.white - scene.black
        y, x = np.indices(raw.data.shape)
        knee = np.asarray(knees)[scene.pattern[y % 2, x % 2]] * span
        signal = raw.data - scene.black
        if e == EXPOSURES[-1]:
            signal = signal * (1.0 + cloud * np.sin(x / 40.0))
        bent = np.where(signal > knee, knee + compression * (signal - knee), signal)
        # A pixel that was full is full.
        bent = np.where(raw.data >= scene.white, span, bent)
        raw.data[...] = np.rint(bent + scene.black).astype(np.uint16)
        views.append(scene.view(shot, raw))
    registered = register_frames(views, scene.grid)
    exposures = relative_exposures(registered)
    return linear_ceiling(registered, exposures.factor, np.full(len(views), span), UPPER)


def test_a_linear_sensor_keeps_the_ceiling_of_the_config():
    np.testing.assert_array_equal(found_ceiling((2.0, 2.0, 2.0)), UPPER)


@pytest.mark.parametrize("knee", [0.6, 0.7, 0.8])
def test_the_bend_is_found_in_every_colour(knee):
    """Never above the knee; below it by what a small pixel spans, a step and the margin.

    A pixel of the reduced frames spans 5 % of brightness or more, so the mean bends before the
    knee; a step of level and the margin are 0.02 of the range each.
    """
    found = found_ceiling((knee, knee, knee))
    assert (found > knee - 0.05 * knee - 0.04).all(), found
    assert (found <= knee).all(), found


def test_cloud_before_one_frame_does_not_hide_the_bend():
    found = found_ceiling((0.75, 0.75, 0.75), compression=0.8, cloud=0.4)
    assert (found > 0.75 * 0.95 - 0.04).all(), found
    assert (found <= 0.77).all(), found


def test_each_colour_has_its_own():
    found = found_ceiling((2.0, 0.65, 2.0))
    assert found[0] == found[2] == UPPER
    assert 0.65 * 0.95 - 0.04 < found[1] <= 0.65


def test_nothing_is_measured_of_a_single_exposure():
    scene = Scene(480, 320, 60.0)
    shots = [Shot(1 / 30, 1.0, 240, 160)] * 2
    views = [scene.view(s, scene.frame(s, np.random.default_rng(1))) for s in shots]
    registered = register_frames(views, scene.grid)
    found = linear_ceiling(registered, np.ones(2), np.full(2, scene.white - scene.black), UPPER)
    np.testing.assert_array_equal(found, UPPER)
