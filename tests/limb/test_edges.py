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
    """Clipped at a third of a height that is uneven: the steepest place is pulled in, and aside.

    What the module is for: the limb less than a quarter as far off, its centre less than half.
    """
    image = blurred(0.9, height=3000.0, slant=0.5)
    clipped = image > 1000.0
    image = np.minimum(image, 1000.0)
    steepest = radial_edges(image, clipped, X, Y, R - 1.0, brighter_outside=True, noise=1.0)
    found = ramp_edges(image, clipped, X, Y, R - 1.0, noise=1.0, blur=0.9)
    assert found.saturated.all()
    (in1, aside1), (in2, aside2) = (
        np.polynomial.polynomial.polyfit(np.cos(e.angle), miss(e), 1) for e in (found, steepest)
    )
    assert abs(in1) < 0.25 * abs(in2)
    assert abs(aside1) < 0.5 * abs(aside2)
    assert (in2, aside2) < (-0.5, -0.2)
