"""Edges along the radius of drawn, blurred discs of which everything is known."""

import numpy as np
import pytest
from scipy.special import ndtr

from limbward.limb.edges import radial_edges
from limbward.limb.ramp import ramp_edges

SHAPE = (400, 400)
X, Y, R = 200.3, 198.6, 130.4
NONE = np.zeros(SHAPE, bool)


def blurred(sigma, height=1000.0, slant=0.0):
    """Return a dark disc on a bright ground, blurred, brighter by ``slant`` to the right."""
    rows, cols = np.indices(SHAPE)
    r, angle = np.hypot(cols - X, rows - Y), np.arctan2(rows - Y, cols - X)
    return (height * (1 + slant * np.cos(angle)) * ndtr((r - R) / sigma)).astype(np.float32)


def miss(edges):
    return np.hypot(edges.x - X, edges.y - Y) - R


@pytest.mark.parametrize("sigma", [0.8, 1.5])
def test_the_steepest_place_is_found_between_the_pixels(sigma):
    """A blurred step is steepest on the limb; half a step of the search is an eighth of a pixel."""
    found = radial_edges(
        blurred(sigma), NONE, X + 0.4, Y, R - 0.7, brighter_outside=True, noise=1.0
    )
    assert found.x.size > 700
    assert np.std(miss(found)) < 0.03
    assert np.mean(miss(found)) == pytest.approx(0.0, abs=0.03)
    assert np.median(found.width) == pytest.approx(sigma, abs=0.25)


def test_the_foot_of_a_clipped_edge_tells_the_limb():
    """Clipped at a fortieth of the height: the steepest place left is two sigmas inside."""
    image = blurred(0.9, height=40_000.0, slant=0.5)
    clipped = image > 1000.0
    found = ramp_edges(np.minimum(image, 1000.0), clipped, X, Y, R - 1.0, noise=1.0, blur=0.9)
    assert found.saturated.all()
    # The steepest place lies 1.8 px inside; how deep in the foot the levels lie tells the rest.
    assert np.mean(miss(found)) == pytest.approx(0.0, abs=0.9)
    across = np.polynomial.polynomial.polyfit(np.cos(found.angle), miss(found), 1)[1]
    assert across == pytest.approx(0.0, abs=0.05)
