"""corona.fits is a solar picture to other programs: sunpy's map finds its way in it."""

import warnings

import astropy.units as u
import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.time import Time

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, Observer, add_moon, world_header
from limbward.radiance.fits import write_picture
from limbward.sky.ephemeris import Site, view

sunpy_map = pytest.importorskip("sunpy.map")
coordinates = pytest.importorskip("sunpy.coordinates")

MOMENT = Time("2026-08-12T17:46:51")
SITE = Site(65.0, -23.4, 40.0)
GRID = Grid(300, 200, 16.0, 17.3)


@pytest.fixture(scope="module")
def corona(tmp_path_factory):
    """A picture with one bright pixel at 1.5 solar radii in the direction of solar north."""
    sky = view(MOMENT, SITE)
    radius_arcsec = float(sky.sun_radius_arcsec[0])
    observer = Observer(
        solar_north=float(sky.sun_axis_position_angle[0]),
        zenith=float(sky.parallactic_angle[0]),
        b0=float(sky.sun_b0[0]),
        l0=float(sky.sun_l0[0]),
        distance_km=float(sky.sun_distance_km[0]),
        sun_radius_arcsec=radius_arcsec,
    )
    angle = np.radians(observer.solar_north)
    x, y = GRID.place(1.5 * radius_arcsec * np.sin(angle), 1.5 * radius_arcsec * np.cos(angle))
    image = np.zeros((3, GRID.height, GRID.width), np.float32)
    image[:, round(y), round(x)] = 1.0
    header = world_header(GRID, observer, MOMENT, MOMENT, MOMENT)
    add_moon(header, Disc(150.0, 100.0, 97.0), GRID.height)
    path = tmp_path_factory.mktemp("map") / "corona.fits"
    write_picture(path, image, header, {"SIGMA": image})
    with fits.open(path) as hdus, warnings.catch_warnings():
        # Of a Sun of 696 000 km, which is not sunpy's.
        warnings.simplefilter("ignore")
        yield sunpy_map.Map(hdus[0].data[1], hdus[0].header)


def test_solar_north_is_where_it_is(corona):
    bright = np.unravel_index(np.argmax(corona.data), corona.data.shape)
    place = corona.pixel_to_world(bright[1] * u.pix, bright[0] * u.pix)
    radius = corona.rsun_obs.to_value("arcsec")
    # A pixel of 16 arcsec: its centre lies up to 11.3 from the place.
    assert abs(place.Tx.to_value("arcsec")) < 12
    assert place.Ty.to_value("arcsec") == pytest.approx(1.5 * radius, abs=12)


def test_axis_points_as_sunpy_says(corona):
    """The picture's upward direction, from solar north: what is left of 17.3 degrees less P."""
    up = np.degrees(np.arctan2(-corona.rotation_matrix[0, 1], corona.rotation_matrix[1, 1]))
    p = coordinates.sun.P(MOMENT).to_value("deg")
    assert up == pytest.approx(17.3 - p, abs=0.05)


def test_observer_and_radius(corona):
    # sunpy computes both for the Earth's centre; from the ground the parallax is below 9 arcsec.
    assert corona.observer_coordinate.lat.to_value("deg") == pytest.approx(
        coordinates.sun.B0(MOMENT).to_value("deg"), abs=0.02
    )
    distance = coordinates.sun.earth_distance(MOMENT).to_value("m")
    assert corona.dsun.to_value("m") == pytest.approx(distance, rel=1e-4)
    angular = coordinates.sun.angular_radius(MOMENT).to_value("arcsec")
    # sunpy takes 695 700 km (IAU 2015), the tables 696 000 km.
    assert corona.rsun_obs.to_value("arcsec") == pytest.approx(angular * 696.0 / 695.7, rel=1e-4)


def test_a_place_on_the_disc_keeps_its_angle(corona):
    """West of solar north is right where the picture is turned upright."""
    west = SkyCoord(900 * u.arcsec, 0 * u.arcsec, frame=corona.coordinate_frame)
    x, y = (v.to_value("pix") for v in corona.world_to_pixel(west))
    angle = np.degrees(np.arctan2(y - 99.5, x - 149.5))
    p = coordinates.sun.P(MOMENT).to_value("deg")
    assert angle == pytest.approx(p - 17.3, abs=0.1)
