from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from limbward.geometry.law import mean_corona
from limbward.simulate.corona import corona
from limbward.simulate.moon import moon
from limbward.simulate.scene import Placement, Scene, paint
from limbward.simulate.spread import WINGS, blur
from limbward.sky.contacts import overlap_fraction

SHAPE = (400, 500)
SCALE = 8.0  # arcsec a pixel
SMOOTH = moon(1, 0.0)


def placement(sun_x, sun_y, moon_dx, moon_dy, **changes):
    place = Placement(
        sun_x=sun_x,
        sun_y=sun_y,
        moon_x=sun_x + moon_dx,
        moon_y=sun_y + moon_dy,
        to_sky=np.array([[-SCALE, 0.0], [0.0, -SCALE]]),
        sun_radius_arcsec=800.0,
        moon_radius_arcsec=832.0,
        sun_axis_position_angle=0.0,
        pixel_scale_arcsec=SCALE,
    )
    return replace(place, **changes)


def centroid(image):
    y, x = np.indices(image.shape)
    total = image.sum(dtype=float)
    return (image * x).sum(dtype=float) / total, (image * y).sum(dtype=float) / total


@settings(max_examples=15, deadline=None)
@given(x=st.floats(248, 252), y=st.floats(198, 202))
def test_full_disc_stands_where_it_should(x, y):
    image = paint(SHAPE, placement(x, y, 5000, 0), corona(1), SMOOTH, earthshine=0.0).white
    cx, cy = centroid(np.where(image > 1e-4, image, 0))
    assert cx == pytest.approx(x, abs=0.005)
    assert cy == pytest.approx(y, abs=0.005)


def test_blur_keeps_the_centre_and_the_light():
    place = placement(250.3, 199.6, 5000, 0)
    sharp = paint(SHAPE, place, corona(1), SMOOTH)
    total = sharp.white.sum(dtype=float)
    soft = blur(sharp, place, 0.8).white
    cx, cy = centroid(np.where(soft > 0.05, soft, 0))
    assert (cx, cy) == pytest.approx((250.3, 199.6), abs=0.02)
    # The widest wing (sigma 300 arcsec, 4e-4 of the light) runs a little over the frame's edge.
    assert soft.sum(dtype=float) == pytest.approx(total, rel=5e-4)
    assert sum(f for f, _ in WINGS) < 0.01


def test_disc_has_mean_one_and_the_published_darkening():
    image = paint(SHAPE, placement(250, 200, 5000, 0), corona(1), SMOOTH).white
    assert image.sum(dtype=float) == pytest.approx(np.pi * 100.0**2, rel=2e-4)
    # Allen's Astrophysical Quantities, 4th ed., 14.7, 550 nm: I(mu = 0.6)/I(1) = 0.30 + 0.93 mu
    # - 0.23 mu^2 = 0.7752, at r = 0.8 R.
    assert image[200, 250 + 80] / image[200, 250] == pytest.approx(0.7752, rel=1e-3)


@settings(max_examples=20, deadline=None)
@given(gap=st.floats(10, 205), turn=st.floats(0, 360))
def test_crescent_has_the_area_of_two_circles(gap, turn):
    dx, dy = gap * np.cos(np.radians(turn)), gap * np.sin(np.radians(turn))
    place = placement(250.2, 199.7, dx, dy, sun_radius_arcsec=720.0, moon_radius_arcsec=752.0)
    image = paint(SHAPE, place, corona(1), SMOOTH, earthshine=0.0).white
    # Count lit pixels by their share of the disc's own light.
    bare = paint(SHAPE, replace(place, moon_x=5000.0), corona(1), SMOOTH, earthshine=0.0).white
    on_disc = bare > 1e-4
    lit = (image[on_disc] / bare[on_disc]).sum(dtype=float)
    covered = overlap_fraction(np.array(gap * SCALE), np.array(720.0), np.array(752.0))
    assert lit / on_disc.sum() == pytest.approx(1 - float(covered), abs=0.006)


def test_a_closed_gap_lets_no_photosphere_through():
    for inside_px in (0.02, 0.2, 0.6):
        image = paint(SHAPE, placement(250, 200, 4.0 - inside_px, 0), corona(1), SMOOTH).white
        assert image.max() < 20e-6


def test_beads_shine_through_valleys():
    rough = moon(1, 1.0)
    image = paint(SHAPE, placement(250, 200, 4.0 - 0.02, 0), corona(1), rough).white
    bead = image > 1e-3
    assert 0 < bead.sum() < 200
    assert np.indices(SHAPE)[1][bead].max() < 180  # only at the limb that is about to go
    assert abs(rough.limb_arcsec.mean()) < 1e-4
    assert rough.limb_arcsec.std() == pytest.approx(1.0, rel=1e-3)


def test_corona_in_the_frame_follows_the_published_law():
    place = placement(250.4, 199.8, 0.0, 0.0, sun_radius_arcsec=320.0, moon_radius_arcsec=332.0)
    image = paint(SHAPE, place, corona(1), SMOOTH).white
    y, x = np.indices(SHAPE)
    rho = np.hypot(x - 250.4, y - 199.8) / 40.0
    for low in (1.1, 1.3, 1.8, 2.5, 3.5):
        ring = (rho > low) & (rho < low + 0.15)
        expected = mean_corona(rho[ring]).mean()
        assert image[ring].mean() == pytest.approx(expected, rel=0.01)


def test_solar_north_is_where_p_says():
    upright = placement(250, 200, 0, 0)
    leaning = replace(upright, sun_axis_position_angle=90.0)
    a = paint(SHAPE, upright, corona(1), SMOOTH).white
    b = paint(SHAPE, leaning, corona(1), SMOOTH).white
    # North is up and east to the left: with P = 90 the Sun's north pole is at the left.
    assert b[200, 250 - 130] == pytest.approx(a[200 - 130, 250], rel=1e-3)


def test_earthshine_is_fainter_than_the_corona():
    image = paint(SHAPE, placement(250, 200, 0, 0), corona(1), SMOOTH).white
    face = image[150:250, 200:300]
    assert face.max() < 1e-9
    assert face.std() > 0.05 * face.mean()


def test_trail_spreads_along_its_path_only():
    point = np.zeros((81, 81), dtype=np.float32)
    point[40, 40] = 1.0
    place = placement(40, 40, 0, 0, trail_x=12.0, trail_y=-5.0)
    out = blur(Scene(point, np.zeros_like(point)), place, 0.3).white.astype(float)
    out[out < 1e-4] = 0
    y, x = np.indices(out.shape) - 40.0
    total = out.sum()
    assert (out * x).sum() / total == pytest.approx(0.0, abs=0.02)
    assert (out * y).sum() / total == pytest.approx(0.0, abs=0.02)
    along = (x * 12 - y * 5) / 13
    across = (x * 5 + y * 12) / 13
    assert (out * along**2).sum() / total == pytest.approx(13**2 / 12, rel=0.06)
    assert (out * across**2).sum() / total < 0.5
