"""Geometry of the merged picture: affines, world coordinates, parity."""

import numpy as np
import pytest
from astropy.time import Time
from astropy.wcs import WCS
from hypothesis import given
from hypothesis import strategies as st

from limbward.geometry.disc import Disc
from limbward.geometry.grid import (
    Grid,
    Observer,
    add_moon,
    frame_affine,
    read_geometry,
    reduced_affine,
    world_header,
)
from limbward.geometry.orientation import Orientation
from limbward.radiance.fits import read_picture, write_picture

ANGLE = st.floats(-180, 180)
TIME = Time("2026-08-12T17:46:00")


def observer(p=15.0):
    return Observer(
        solar_north=p, zenith=24.0, b0=6.5, l0=225.0, distance_km=1.5158e8, sun_radius_arcsec=947.0
    )


@given(up=ANGLE, turn=ANGLE, mirrored=st.booleans(), east=st.floats(-9e3, 9e3))
def test_a_place_on_the_sky_is_found_in_grid_and_frame(up, turn, mirrored, east):
    """The affine must agree with the two orientations it is made of, at any place."""
    north = 1234.5
    grid = Grid(640, 480, 3.0, up)
    affine = frame_affine(grid, 300.2, 251.7, Orientation(3.0, up, mirrored), turn)
    dx, dy = Orientation(3.0, up + turn, mirrored).to_pixels(east, north)
    found = affine @ np.array([*grid.place(east, north), 1.0])
    np.testing.assert_allclose(found, [300.2 + dx, 251.7 + dy], atol=1e-8)


def test_an_unturned_frame_is_only_shifted():
    grid = Grid(100, 80, 2.0, 33.0)
    affine = frame_affine(grid, 41.0, 30.0, Orientation(2.0, 33.0))
    np.testing.assert_allclose(affine[:, :2], np.eye(2), atol=1e-12)
    np.testing.assert_allclose(affine[:, 2], [41.0 - 49.5, 30.0 - 39.5])


def test_a_mirrored_frame_is_unmirrored():
    affine = frame_affine(Grid(101, 101, 2.0, 0.0), 50.0, 50.0, Orientation(2.0, 0.0, True))
    np.testing.assert_allclose(affine @ [60.0, 50.0, 1.0], [40.0, 50.0], atol=1e-12)


@given(up=ANGLE, turn=ANGLE, grid_factor=st.integers(1, 9), frame_factor=st.integers(1, 9))
def test_reduced_affine_is_the_full_one_between_pixel_centres(up, turn, grid_factor, frame_factor):
    grid = Grid(1001, 640, 3.0, up)
    affine = frame_affine(grid, 480.3, 330.1, Orientation(3.0, up), turn)
    small = grid.reduced(grid_factor)
    reduced = reduced_affine(affine, grid_factor, frame_factor, grid)
    at = np.array([17.0, 5.0])
    full = np.array([grid.sun_x, grid.sun_y]) + grid_factor * (at - [small.sun_x, small.sun_y])
    expected = (affine @ np.array([*full, 1.0]) + 0.5) / frame_factor - 0.5
    np.testing.assert_allclose(reduced @ np.array([*at, 1.0]), expected, atol=1e-8)


@given(up=ANGLE, p=st.floats(-26.4, 26.4), east=st.floats(-3e3, 3e3), north=st.floats(-3e3, 3e3))
def test_world_coordinates_follow_thompson(up, p, east, north):
    """Thompson (2006): longitude grows to solar west, latitude to solar north, arcsec.

    A place given east and north on the sky has the solar offsets of a rotation by P.
    """
    grid = Grid(640, 480, 3.0, up)
    header = world_header(grid, observer(p), TIME, TIME, TIME)
    x, y = grid.place(east, north)
    wcs = WCS(header, naxis=2)
    lon, lat = wcs.wcs_pix2world(x, grid.height - 1 - y, 0)  # rows from the bottom
    lon = (lon + 180.0) % 360.0 - 180.0
    a = np.radians(p)
    west = -(east * np.cos(a) - north * np.sin(a))
    polewards = east * np.sin(a) + north * np.cos(a)
    # The tangent plane departs from angles by (3000 arcsec)^3 / 3 radian^2, 0.3 arcsec.
    assert lon * 3600.0 == pytest.approx(west, abs=0.8)
    assert lat * 3600.0 == pytest.approx(polewards, abs=0.8)


def test_solar_north_is_up_when_the_camera_is_turned_by_p():
    header = world_header(Grid(200, 100, 2.0, 15.0), observer(15.0), TIME, TIME, TIME)
    wcs = WCS(header, naxis=2)
    x, y = wcs.wcs_world2pix(0.0, 60.0 / 3600.0, 0)
    assert (x, y) == pytest.approx((99.5, 49.5 + 30.0), abs=1e-3)
    x, y = wcs.wcs_world2pix(60.0 / 3600.0, 0.0, 0)  # solar west is right: not mirrored
    assert (x, y) == pytest.approx((99.5 + 30.0, 49.5), abs=1e-3)


def test_refraction_is_taken_out_of_world_coordinates():
    """A field flattened by 2 parts in 1000 along north shows a northern place nearer than it is."""
    flat = np.diag([1.0, 0.998])
    header = world_header(Grid(200, 200, 2.0, 0.0), observer(0.0), TIME, TIME, TIME, flat)
    lon, lat = WCS(header, naxis=2).wcs_pix2world(99.5, 99.5 + 40.0, 0)
    assert lat * 3600 == pytest.approx(80.0 / 0.998, rel=1e-6)
    assert (lon * 3600 + 180 * 3600) % (360 * 3600) - 180 * 3600 == pytest.approx(0.0, abs=1e-6)


def test_a_written_picture_comes_back(tmp_path):
    rng = np.random.default_rng(3)
    image = rng.normal(size=(3, 48, 64)).astype(np.float32)
    image[:, 3, 4] = np.nan
    count = rng.integers(0, 9, (48, 64)).astype(np.uint16)
    grid = Grid(64, 48, 3.0, -20.0)
    header = world_header(grid, observer(), TIME, TIME, TIME)
    add_moon(header, Disc(30.25, 20.5, 11.0), grid.height)
    write_picture(tmp_path / "a.fits", image, header, {"COUNT": count}, ["a line"])
    back, kept, more = read_picture(tmp_path / "a.fits", ["COUNT", "SIGMA"])
    np.testing.assert_array_equal(back, image)
    np.testing.assert_array_equal(more["COUNT"], count)
    assert set(more) == {"COUNT"}
    assert "a line" in str(kept["HISTORY"])
    found, sun, moon = read_geometry(kept)
    assert found == grid
    assert (sun.x, sun.y) == (grid.sun_x, grid.sun_y)
    assert sun.radius == pytest.approx(947.0 / 3.0)
    assert moon == Disc(30.25, 20.5, 11.0)


def test_the_file_holds_the_bottom_row_first(tmp_path):
    from astropy.io import fits

    image = np.zeros((3, 10, 8), np.float32)
    image[:, 0, :] = 7.0  # top row
    header = world_header(Grid(8, 10, 3.0, 0.0), observer(), TIME, TIME, TIME)
    write_picture(tmp_path / "a.fits", image, header)
    with fits.open(tmp_path / "a.fits") as hdus:
        assert (hdus[0].data[:, -1] == 7.0).all()
        assert hdus[0].data.dtype == np.dtype(">f4")
