"""Weights of raw samples: exact on planes for every mosaic."""

import numpy as np
import pytest

from limbward.radiance.taps import RADIUS, STEPS, build
from tests.radiance.reference import taps_at

MOSAICS = {
    "RGGB": np.array([[0, 1], [1, 2]], np.int8),
    "GBRG": np.array([[1, 2], [0, 1]], np.int8),
    "six": np.array(  # a published 6 x 6 arrangement with all colours in every row and column
        [
            [1, 2, 1, 1, 0, 1],
            [0, 1, 0, 2, 1, 2],
            [1, 2, 1, 1, 0, 1],
            [1, 0, 1, 1, 2, 1],
            [2, 1, 2, 0, 1, 0],
            [1, 0, 1, 1, 2, 1],
        ],
        np.int8,
    ),
    "mono": np.array([[1]], np.int8),
    "rgb": np.empty((0, 0), np.int8),
}


@pytest.mark.parametrize("name", MOSAICS)
def test_constants_and_slopes_are_reproduced(name):
    taps = build(MOSAICS[name])
    step = (np.arange(STEPS) + 0.5) / STEPS - 0.5
    sub_y, sub_x = (a.ravel() for a in np.meshgrid(step, step, indexing="ij"))
    for phase in range(taps.weight.shape[0]):
        for c in range(3):
            part = slice(taps.first[phase, c], taps.first[phase, c + 1])
            w = taps.weight[phase, :, part].astype(float)
            np.testing.assert_allclose(w.sum(axis=1), 1.0, atol=1e-5)
            np.testing.assert_allclose(w @ taps.dx[phase, part], sub_x, atol=0.012)
            np.testing.assert_allclose(w @ taps.dy[phase, part], sub_y, atol=0.012)
            np.testing.assert_allclose((w**2).sum(axis=1), taps.power[phase, :, c], rtol=1e-5)
            assert w.min() > -0.1  # next to no ringing; the six by six is the worst
            assert taps.power[phase, :, c].max() < 1.0  # never noisier than a sample


@pytest.mark.parametrize("name", ["RGGB", "GBRG", "six"])
def test_taps_have_the_colour_they_stand_for(name):
    pattern = MOSAICS[name]
    th, tw = pattern.shape
    taps = build(pattern)
    for phase in range(th * tw):
        y, x = divmod(phase, tw)
        colour = pattern[(y + taps.dy[phase]) % th, (x + taps.dx[phase]) % tw]
        expected = np.repeat(np.arange(3), np.diff(taps.first[phase]))
        np.testing.assert_array_equal(colour, expected)
        assert np.abs(taps.dy[phase]).max() <= RADIUS


def test_planes_of_the_frame():
    assert build(MOSAICS["rgb"]).plane.tolist() == [0, 1, 2]
    assert build(MOSAICS["mono"]).plane.tolist() == [0, 0, 0]


@pytest.mark.parametrize("name", ["RGGB", "GBRG", "mono"])
def test_weights_are_those_of_a_plane_fitted_by_least_squares(name):
    """At a few hundred places, against weights by singular values."""
    pattern = MOSAICS[name]
    table = build(pattern)
    th, tw = pattern.shape
    rng = np.random.default_rng(4)
    for _ in range(100):
        y, x = rng.integers(6, 12, 2)
        fy, fx = rng.uniform(-0.5, 0.5, 2)
        phase = (y % th) * tw + x % tw
        sub = int((fy + 0.5) * STEPS) * STEPS + int((fx + 0.5) * STEPS)
        for c in range(3):
            rows, columns, weights = taps_at(pattern, c, y, x, y + fy, x + fx)
            part = slice(table.first[phase, c], table.first[phase, c + 1])
            np.testing.assert_array_equal(table.dy[phase, part], rows - y)
            np.testing.assert_array_equal(table.dx[phase, part], columns - x)
            np.testing.assert_allclose(table.weight[phase, sub, part], weights, atol=1e-5)
