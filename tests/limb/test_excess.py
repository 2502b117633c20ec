"""The Sun's radius in a spectral line, measured against the Moon's, on limbs laid out by hand."""

import numpy as np
import pytest

from limbward.limb.excess import excess_of, ratio_of

RNG = np.random.default_rng(3)


def limb(x, y, radius, angles, noise=0.05):
    """Edge points with noise along the radius, and mountains of half a thousandth at the Moon."""
    r = radius + noise * RNG.standard_normal(angles.size)
    points = [x + r * np.cos(angles), y + r * np.sin(angles), np.full(angles.size, noise)]
    return np.stack(points, axis=1)


def crescent(offset, sun=400.0, moon=405.0):
    """Limbs of a Sun at (500, 480) and of a Moon that lies ``offset`` pixels to the right."""
    angles = np.linspace(-np.pi, np.pi, 720, endpoint=False)
    x = 500.0 + sun * np.cos(angles) - (500.0 + offset)
    seen = np.hypot(x, sun * np.sin(angles)) > moon + 5.0
    inner = np.hypot(offset + moon * np.cos(angles), moon * np.sin(angles)) < sun - 5.0
    starts = (500.3, 479.6, 399.0), (500.0 + offset, 480.4, 406.0)
    return (
        limb(500.0, 480.0, sun, angles[seen]),
        limb(500.0 + offset, 480.0, moon, angles[inner]),
        starts,
    )


@pytest.mark.parametrize("excess", [0.0, 0.003, 0.006])
def test_the_excess_is_found_to_a_thousandth(excess):
    ratios = [ratio_of(*crescent(d, sun=400.0 * (1 + excess))) for d in (90, 150, 220, 300, 380)]
    value, sigma = excess_of(ratios, [400.0 / 405.0] * 5, 400.0)
    assert value == pytest.approx(excess, abs=0.001)
    assert abs(value - excess) < 3 * sigma
    assert excess_of(ratios, [400.0 / 405.0] * 5, 50.0)[1] > 0.0015  # a tenth of a pixel is much


def test_a_short_bite_tells_no_radius():
    """A Moon that has just come in shows too short an arc."""
    assert np.isnan(ratio_of(*crescent(790.0)))


def test_too_few_frames_tell_nothing():
    assert excess_of([1.0, np.nan, 1.0], [1.0, 1.0, 1.0], 400.0) is None
