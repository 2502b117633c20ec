"""Where blurred limbs are steepest, against closed forms and drawn coronae."""

import numpy as np
import pytest

from limbward.limb.darkening import corona_inset, edge_inset
from limbward.limb.measure import measure
from tests.limb.pictures import corona


def test_far_from_the_limbs_own_shape_a_falling_corona_shifts_by_the_blurs_square_over_its_fall():
    # The slope of a step times exp(-x / h), blurred by s << h, is zero at -s^2 / h to first order.
    for fall in (200.0, 400.0):
        assert corona_inset(fall, 1.0) == pytest.approx(2.0 / fall, rel=0.02)


def test_a_steeper_fall_and_a_wider_blur_shift_more():
    assert corona_inset(5.0, 0.7) > corona_inset(10.0, 0.7) > 0.0
    assert corona_inset(10.0, 1.2) > corona_inset(10.0, 0.7)


def test_an_even_disc_is_steepest_at_its_limb(monkeypatch):
    monkeypatch.setattr("limbward.limb.darkening.limb_darkening", np.ones_like)
    assert edge_inset(125.0, 0.9) == pytest.approx(0.0, abs=0.002)


@pytest.mark.parametrize(
    ("radius", "psf"), [(40.0, 0.7), (80.0, 0.7), (80.0, 1.4), (160.0, 0.7), (160.0, 1.4)]
)
def test_the_moons_radius_before_the_corona(radius, psf):
    side = int(6.4 * radius) // 2 * 2
    middle = 0.5 * side + 0.3
    moon = (middle, middle - 0.4, radius)
    image, saturated = corona(
        (side, side),
        (middle, middle, radius * 0.97),
        moon,
        np.random.default_rng(4),
        exposure=0.015,
        psf=psf,
    )
    assert saturated.mean() < 1e-3
    found = measure(image, saturated)
    assert found.kind == "totality"
    assert found.moon.radius == pytest.approx(radius, abs=0.06)
    assert np.hypot(found.moon.x - moon[0], found.moon.y - moon[1]) < 0.06
