"""Where a merge is noisy, on coronae of known noise."""

import numpy as np
import pytest

from limbward.geometry.disc import Disc
from limbward.radiance.noisy import noise_warning, noisy_from

SUN = Disc(210.0, 190.0, 40.0)
y, x = np.indices((400, 420))
R = np.hypot(x - SUN.x, y - SUN.y) / SUN.radius
CORONA = np.where(R > 1.0, 1000.0 * np.maximum(R, 1.0) ** -6.0 + 2.0, 0.0).astype(np.float32)


@pytest.mark.parametrize("noise", [0.5, 3.0])
def test_noise_begins_where_it_is_a_tenth_of_the_light(noise):
    """Even noise against a known fall: 1000 r^-6 + 2 is ten times it at a distance by hand."""
    sigma = np.full_like(CORONA, noise)
    found = noisy_from(CORONA, sigma, SUN)
    assert found is not None
    begins, further = found
    assert begins == pytest.approx((1000.0 / (10.0 * noise - 2.0)) ** (1 / 6), abs=0.11)
    there = 1000.0 * (begins + 0.55) ** -6.0 + 2.0
    assert further == pytest.approx(noise / there, rel=0.1)
    assert f"From {begins:.1f} solar radii" in noise_warning(CORONA, sigma, SUN, 3)


def test_fine_pixels_are_seen_many_together():
    """With a Sun of 400 px a hundredth of its radius is 16 pixels, with a quarter of the noise."""
    sigma = 0.3 * np.maximum(CORONA, 1e-3)
    assert noisy_from(CORONA, sigma, SUN) is not None
    large = Disc(-600.0, 190.0, 400.0)
    assert noisy_from(CORONA, sigma, large) is None


def test_nothing_is_said_of_a_clear_merge_nor_of_a_narrow_gap_in_it():
    sigma = (0.01 * CORONA + 1e-6).astype(np.float32)
    assert noise_warning(CORONA, sigma, SUN, 40) == ""
    gap = np.where((R > 2.0) & (R < 2.4), CORONA, sigma)
    assert noise_warning(CORONA, gap, SUN, 40) == ""
    assert noisy_from(np.full_like(CORONA, np.nan), sigma, SUN) is None
