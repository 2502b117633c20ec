"""The Sun behind a measured Moon, and circles fitted again with everything known."""

import numpy as np
import pytest

from limbward.limb.refit import refit
from limbward.limb.register import is_moon_sized, off_the_path, sun_from_moon
from limbward.sky.orientation import Orientation


@pytest.mark.parametrize("mirrored", [False, True])
def test_the_sun_is_where_the_ephemeris_puts_it(mirrored):
    orientation = Orientation(3.0, 40.0, mirrored)
    offset = np.array([[12.0, -30.0], [40.0, 5.0]])
    turn = np.array([0.0, 2.5])
    moon = np.array([100.0, 200.0])
    found = sun_from_moon(
        moon,
        moon,
        np.array([0.05, 0.05]),
        offset,
        turn,
        orientation,
        speed_arcsec_s=np.array([0.5, 0.5]),
        time_sigma_s=np.array([0.3, 0.3]),
        up_sigma_deg=0.0,
    )
    for i in range(2):
        dx, dy = orientation.turned(turn[i]).to_pixels(*offset[i])
        assert found.x[i] + dx == pytest.approx(moon[i])
        assert found.y[i] + dy == pytest.approx(moon[i])
    # 0.05 px of limb and 0.3 s of time at 0.5 arcsec/s over 3 arcsec/px.
    assert found.sigma == pytest.approx(np.hypot(0.05, 0.05), rel=1e-6)


def test_an_unmeasured_moon_leaves_the_sun_unknown():
    nan = np.array([np.nan])
    found = sun_from_moon(
        nan, nan, nan, np.zeros((1, 2)), np.zeros(1), Orientation(3.0, 0.0),
        speed_arcsec_s=np.zeros(1), time_sigma_s=np.zeros(1), up_sigma_deg=0.0,
    )  # fmt: skip
    assert np.isnan(found.x[0])
    assert np.isnan(found.sigma[0])


def test_discs_of_another_size_are_not_the_moon():
    size = is_moon_sized(np.array([259.0, 250.0, 80.0, 84.5]), np.array([260.0, 260.0, 82.0, 80.0]))
    assert size.tolist() == [True, False, True, False]


def test_one_frame_aside_is_named_and_a_jump_is_not():
    t = np.arange(10.0)
    x, y, sigma = 5 + 0.1 * t, 3 - 0.2 * t, np.full(10, 0.1)
    x[4] += 6.0
    assert np.flatnonzero(off_the_path(t, x, y, sigma)).tolist() == [4]
    jump = np.where(t >= 5, 40.0, 0.0)
    assert not off_the_path(t, 5 + 0.1 * t + jump, y, sigma).any()


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
