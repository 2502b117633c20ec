"""Discs of the right size, and circles fitted again with everything known."""

import numpy as np
import pytest

from limbward.limb.refit import refit
from limbward.limb.register import is_moon_sized


def test_discs_of_another_size_are_not_the_moon():
    size = is_moon_sized(np.array([259.0, 250.0, 80.0, 84.5]), np.array([260.0, 260.0, 82.0, 80.0]))
    assert size.tolist() == [True, False, True, False]


def test_refit_undoes_a_known_flattening():
    """Half a limb of a disc squeezed by 1 %: a circle's centre would be off by a pixel."""
    rng = np.random.default_rng(2)
    squeeze = np.diag([1.0, 0.99])
    angle = rng.uniform(0.2, np.pi - 0.2, 500)
    unit = np.stack([np.cos(angle), np.sin(angle)])
    sun_points = (squeeze @ (200 * unit)).T + np.array([300.0, 250.0])
    moon_centre = squeeze @ np.array([80.0, -30.0]) + np.array([300.0, 250.0])
    moon_points = (squeeze @ (206 * unit)).T + moon_centre
    limbs = [np.column_stack([p, np.full(500, 0.02)]) for p in (sun_points, moon_points)]
    sun, moon = refit(limbs, [(301, 252, 198), (382, 219, 204)], squeeze, radius_ratio=206 / 200)
    assert (sun.x, sun.y) == pytest.approx((300, 250), abs=1e-3)
    assert (moon.x, moon.y) == pytest.approx(tuple(moon_centre), abs=1e-3)
    assert sun.radius == pytest.approx(200 * np.sqrt(0.99), abs=1e-3)


def test_a_known_radius_is_the_one_that_appears():
    """A fifth of a limb hardly tells its radius; with it known the centre is right."""
    rng = np.random.default_rng(3)
    squeeze = np.diag([0.9997, 0.9984])  # refraction at an altitude of 24 degrees
    angle = rng.uniform(0.4, 0.4 + 0.4 * np.pi, 300)
    unit = np.stack([np.cos(angle), np.sin(angle)])
    limb = (squeeze @ (250.0 * unit)).T + np.array([300.0, 250.0])
    limb += rng.normal(0.0, 0.05, limb.shape)
    appears = 250.0 * np.sqrt(np.linalg.det(squeeze))
    points = np.column_stack([limb, np.full(300, 1.5)])  # as good as a thin crescent's fit
    (found,) = refit([points], [(301.0, 251.0, 249.0)], squeeze, radius=(appears, 0.1))
    assert found.radius == pytest.approx(appears, abs=0.03)
    assert (found.x, found.y) == pytest.approx((300.0, 250.0), abs=0.05)
