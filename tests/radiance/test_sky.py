"""The sky under the corona, against the one put in, and put back."""

import numpy as np
import pytest
from astropy.io.fits import Header

from limbward.geometry.grid import Grid
from limbward.radiance.sky import add_sky, fit_sky, read_sky, write_sky
from tests.radiance.scene import baumbach

GRID = Grid(900, 700, 9.6, 0.0)
SUN_RADIUS = 80.0


def picture(level, slope=(0.0, 0.0), noise=0.0, rays=0.3):
    """Return a corona with streamers of the mean law's slopes over a sky that is a plane."""
    y, x = np.indices((GRID.height, GRID.width), dtype=float)
    dx, dy = x - GRID.sun_x, y - GRID.sun_y
    rho, angle = np.hypot(dx, dy) / SUN_RADIUS, np.arctan2(dy, dx)
    corona = 1e9 * baumbach(rho) * (1.0 + rays * np.cos(2 * angle))
    sky = np.reshape(level, (3, 1, 1)) + slope[0] * dx + slope[1] * dy
    image = corona + sky
    image += noise * np.random.default_rng(1).standard_normal(image.shape)
    image[:, rho < 1.05] = np.nan
    return image.astype(np.float32)


def test_sky_is_found_to_a_few_per_cent():
    level = np.array([3.0, 5.0, 8.0])
    found = fit_sky(picture(level, (0.001, -0.002), 0.05), GRID, SUN_RADIUS)
    np.testing.assert_allclose(found.level, level, rtol=0.05)
    np.testing.assert_allclose(found.slope_x, 0.001, atol=2e-4)
    np.testing.assert_allclose(found.slope_y, -0.002, atol=2e-4)


def test_no_sky_is_taken_off_where_there_is_none():
    """What is found of a sky that is not there is less than the darkest corona's tenth."""
    image = picture(np.zeros(3), noise=0.05)
    found = fit_sky(image, GRID, SUN_RADIUS)
    assert found is None or (np.abs(found.level) < 0.1 * np.nanmin(image[:, ::50, ::50])).all()


def test_a_field_too_small_to_tell_them_apart():
    assert fit_sky(picture(np.ones(3)), GRID, 400.0) is None


def test_what_is_taken_off_is_put_back_from_the_header():
    image = picture(np.array([3.0, 5.0, 8.0]), (0.001, -0.002), 0.05)
    before = image.copy()
    sky = fit_sky(image, GRID, SUN_RADIUS)
    add_sky(image, GRID, sky, -1.0)
    assert np.nanmedian(before - image) == pytest.approx(5.0, rel=0.1)
    header = Header()
    write_sky(header, sky)
    add_sky(image, GRID, read_sky(Header.fromstring(header.tostring())))
    np.testing.assert_allclose(image, before, rtol=1e-5, atol=1e-4)


def test_a_picture_with_its_sky_says_so():
    header = Header()
    write_sky(header, None)
    assert header["SKYSUB"] is False
    assert read_sky(header) is None
