import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.geometry.law import mean_corona
from limbward.simulate.corona import HEIGHTS, OUTER, PINK_TOP, corona
from limbward.simulate.truth import true_corona


def test_mean_law_is_baumbachs():
    # Baumbach (1937) as tabulated in Allen's Astrophysical Quantities, in 1e-6 of the mean disc:
    # the coefficients sum to 4.0432 at the limb; at two radii the powers are 2^2.5, 2^7 and 2^17.
    assert mean_corona(1.0) == pytest.approx(4.0432e-6, rel=1e-12)
    assert mean_corona(2.0) == pytest.approx(
        1e-6 * (0.0532 / 5.656854249 + 1.425 / 128 + 2.565 / 131072), rel=1e-9
    )


@pytest.mark.parametrize("seed", [1, 7])
def test_azimuthal_mean_follows_the_law(seed):
    angle = np.linspace(0.0, 2 * np.pi, 5000, endpoint=False)
    for rho in (1.0, 1.03, 1.5, 2.0, 3.7, 8.0, 20.0):
        mean = corona(seed).white_at(rho, angle).mean()
        assert mean == pytest.approx(float(mean_corona(rho)), rel=0.002)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_streamers_stand_out_as_much_as_real_ones(seed):
    row = round(np.log(2.0) / np.log(OUTER) * (HEIGHTS - 1))
    bright, dark = np.percentile(corona(seed).structure[row], [98, 5])
    assert 2.0 < bright / dark < 6.0


def test_threads_are_fine_and_faint():
    row = round(np.log(1.6) / np.log(OUTER) * (HEIGHTS - 1))
    structure = corona(1).structure[row].astype(float)
    smooth = np.convolve(np.tile(structure, 3), np.ones(46) / 46, mode="same")[4096:8192]
    assert 0.02 < np.std(structure / smooth - 1) < 0.20  # over 4 degrees


def test_seeds_differ_and_repeat():
    first = corona(1).structure.copy()
    corona.cache_clear()
    assert np.array_equal(corona(1).structure, first)
    assert not np.array_equal(corona(2).structure, first)


@settings(max_examples=50, deadline=None)
@given(east=st.floats(-9, 9), north=st.floats(-9, 9))
def test_radiance_is_positive_and_pink_only_near_the_limb(east, north):
    red, green, blue = corona(1).radiance(east, north)
    assert 0 < green <= blue <= red
    if not 1.0 <= np.hypot(east, north) < PINK_TOP:
        assert red == green == blue


def test_prominences_reach_above_the_limb():
    red = corona(1).pink_at(1.02, np.linspace(0, 2 * np.pi, 2000))
    assert red.max() > mean_corona(1.02)
    assert corona(1).pink_at(1.065, np.linspace(0, 2 * np.pi, 2000)).max() < 0.1 * red.max()


def test_true_corona_turns_with_the_grid():
    plain = true_corona(1, (81, 81), sun_x=40, sun_y=40, sun_radius_px=10)
    turned = true_corona(1, (81, 81), sun_x=40, sun_y=40, sun_radius_px=10, up_from_solar_north=90)
    # Up is now solar east, which was to the left: the picture turns clockwise by a quarter.
    assert np.allclose(turned, np.rot90(plain, -1, axes=(1, 2)), rtol=1e-4, equal_nan=True)
    flipped = true_corona(1, (81, 81), sun_x=40, sun_y=40, sun_radius_px=10, mirrored=True)
    assert np.allclose(flipped, plain[:, :, ::-1], rtol=1e-4, equal_nan=True)
    assert np.isnan(plain[0, 40, 40])
