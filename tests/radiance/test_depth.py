"""Margins of a merge that only the shortest exposures saw."""

import numpy as np
import pytest

from limbward import filters
from limbward.geometry.disc import Disc, Geometry
from limbward.radiance.depth import hide_shallow, shallow

SUN = Disc(150.0, 100.0, 40.0)
SHAPE = 200, 300


def distance(shape=SHAPE, sun=SUN):
    y, x = np.indices(shape)
    return np.hypot(x - sun.x, y - sun.y)


def noise_of(shape=SHAPE, sun=SUN):
    """Noise as of a bracket: short exposures near the Sun, ever longer ones farther out."""
    r = np.maximum(distance(shape, sun) / sun.radius, 0.5)
    return (1.0 + 300.0 * r**-4).astype(np.float32)


@pytest.mark.parametrize("large", [1, 9])
def test_a_margin_of_short_exposures_is_found_and_nothing_else(large):
    shape, sun = (200 * large, 300 * large), Disc(*(large * v for v in (SUN.x, SUN.y, SUN.radius)))
    sigma = noise_of(shape, sun)
    true = np.zeros(shape, bool)
    true[:, -12 * large :] = True
    sigma[true] *= 60.0
    sigma[: 5 * large] = np.nan
    sigma[distance(shape, sun) < sun.radius] = np.nan  # the Moon
    found = shallow(sigma, sun)
    true &= np.isfinite(sigma)
    assert found[true].mean() > 0.999
    wrong = found & ~true
    assert not wrong[:, : -14 * large - 10].any()  # a sample or two beyond the margin's own edge


@pytest.mark.parametrize("made", ["even", "bracket", "vignetted", "specks", "inner", "clipped"])
def test_noise_without_a_margin_hides_nothing(made):
    sigma = noise_of()
    if made == "even":
        sigma[:] = 3.0
    elif made == "vignetted":
        sigma *= 1.0 + (distance() / 180.0) ** 2
    elif made == "specks":
        rng = np.random.default_rng(3)
        sigma[rng.integers(0, 200, 60), rng.integers(0, 300, 60)] *= 100.0
    elif made == "inner":
        sigma[distance() < 1.05 * SUN.radius] *= 1000.0
    elif made == "clipped":  # to one side of the Moon, in all but a few short exposures
        x = np.indices(SHAPE)[1]
        sigma[(distance() < 1.4 * SUN.radius) & (x > SUN.x + 20)] *= 60.0
        sigma[distance() < SUN.radius] = np.nan
    found = shallow(sigma, SUN)
    assert found is None or not found.any()


def test_no_ring_where_circles_meet_the_margin():
    """NRGF of a corona that is the same all around is even where the margin is noise."""
    rng = np.random.default_rng(1)
    r = distance() / SUN.radius
    sigma = np.full(SHAPE, 1e-3, np.float32)
    sigma[-15:] = 0.3
    light = np.maximum(r, 0.9) ** -3.0 * (1.0 + 0.02 * rng.standard_normal(SHAPE))
    image = np.repeat((light + sigma * rng.standard_normal(SHAPE))[None], 3, 0).astype(np.float32)
    hide_shallow(image, sigma, SUN)
    geometry = Geometry(SUN.x, SUN.y, SUN.radius)
    result, _ = filters.apply_steps(image, None, geometry, [("nrgf", {})])
    spread = [
        np.nanstd(result[1][(r > a) & (r < a + 0.1)]) for a in (1.5, 1.9, 2.2, 2.4, 2.6)
    ]  # the margin begins at 2.1 solar radii
    assert np.ptp(spread) < 0.1 * np.mean(spread)
