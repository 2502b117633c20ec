"""Directions, the Sun's axis, refraction and orientation."""

import warnings
from dataclasses import replace

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import (
    AltAz,
    EarthLocation,
    get_body,
    solar_system_ephemeris,
)
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st

from limbward.errors import LimbwardError
from limbward.geometry.orientation import Orientation
from limbward.sky.contacts import local_circumstances, local_circumstances_many, overlap_fraction
from limbward.sky.earth import ut1_minus_utc
from limbward.sky.ephemeris import Site, view
from limbward.sky.kernel import kernel_path
from limbward.sky.refraction import refraction_arcsec, refraction_matrix

SITE = Site(65.0, -23.4, 40.0)


def test_altitude_and_azimuth_agree_with_astropy():
    """astropy's own chain (other code for nutation, aberration and light-time), same kernel."""
    time = Time(["2026-08-12T16:45:05", "2026-08-12T17:46:50", "2024-04-08T18:00:00"])
    here = EarthLocation(lat=65.0 * u.deg, lon=-23.4 * u.deg, height=40 * u.m)
    with solar_system_ephemeris.set(str(kernel_path("de421"))):
        expected = get_body("sun", time, here).transform_to(AltAz(obstime=time, location=here))
        moon = get_body("moon", time, here).transform_to(AltAz(obstime=time, location=here))
        separation = expected.separation(moon).to_value(u.arcsec)
    sky = view(time, SITE)
    # Aberration, 20.5 arcsec, is left out here (see `geocentric`); it is in astropy's places.
    assert sky.sun_altitude == pytest.approx(expected.alt.deg, abs=25 / 3600)
    assert sky.sun_azimuth == pytest.approx(expected.az.deg, abs=40 / 3600)
    assert sky.separation_arcsec[:2] == pytest.approx(separation[:2], abs=0.05)


def test_the_suns_axis_in_a_worked_example():
    """J. Meeus, Astronomical Algorithms (1998), example 29.a: 1992 October 13, 0h TD."""
    sky = view(Time("1992-10-13T00:00:00", scale="tt").utc, Site(0.0, 0.0))
    assert sky.sun_axis_position_angle[0] == pytest.approx(26.27, abs=0.02)
    assert sky.sun_b0[0] == pytest.approx(5.99, abs=0.02)
    assert sky.sun_l0[0] == pytest.approx(238.63, abs=0.05)


def test_refraction_in_a_worked_example():
    """J. Meeus, Astronomical Algorithms (1998), example 16.a: 24.6 arcmin at 33.9 arcmin."""
    # True altitude 33.8' gives a refraction of 24.6' (Saemundsson's formula).
    assert refraction_arcsec(33.8 / 60) / 60 == pytest.approx(24.6, abs=0.15)


@pytest.mark.parametrize("altitude", [10.0, 24.0, 45.0, 80.0])
def test_refraction_squeezes_along_the_vertical(altitude):
    sky = view(Time("2026-08-12T17:46:00"), SITE)

    sky = replace(sky, sun_altitude=np.array([altitude]))
    matrix = refraction_matrix(sky)[0]
    q = np.radians(sky.parallactic_angle[0])
    up = np.array([np.sin(q), np.cos(q)])
    lifted = refraction_arcsec(altitude + 0.1) - refraction_arcsec(altitude - 0.1)
    assert up @ matrix @ up == pytest.approx(1 + lifted / 720, abs=1e-5)
    assert np.linalg.eigvalsh(matrix)[1] < 1.0
    assert np.allclose(refraction_matrix(sky, pressure_hpa=0.0)[0], np.eye(2))


angles = st.floats(-360, 360)
lengths = st.floats(-3000, 3000)


@given(scale=st.floats(0.2, 20), up=angles, mirrored=st.booleans(), east=lengths, north=lengths)
def test_orientation_goes_there_and_back(scale, up, mirrored, east, north):
    there = Orientation(scale, up, mirrored)
    dx, dy = there.to_pixels(east, north)
    assert np.hypot(dx, dy) * scale == pytest.approx(np.hypot(east, north), abs=1e-6)
    assert there.to_sky(dx, dy) == (
        pytest.approx(east, abs=1e-6),
        pytest.approx(north, abs=1e-6),
    )


def test_north_is_up_and_east_is_left_unless_mirrored():
    upright = Orientation(2.0, 0.0)
    assert upright.to_pixels(0.0, 10.0) == (pytest.approx(0), pytest.approx(-5))
    assert upright.to_pixels(10.0, 0.0) == (pytest.approx(-5), pytest.approx(0))
    assert Orientation(2.0, 0.0, True).to_pixels(10.0, 0.0)[0] == pytest.approx(5)
    # Up at position angle 90 means that east is up.
    assert Orientation(2.0, 90.0).to_pixels(10.0, 0.0) == (pytest.approx(0), pytest.approx(-5))


@pytest.mark.filterwarnings("ignore")
def test_dates_past_the_tables_warn_and_go_on():
    with pytest.warns(UserWarning, match="UT1"):
        late = ut1_minus_utc(Time("2050-01-01T00:00:00"))
    assert np.isfinite(late).all()
    with pytest.warns(UserWarning, match="UT1"):
        assert local_circumstances("2045-08-12", Site(39.0, -105.0)).kind != "none"


def test_dates_past_the_ephemeris_are_an_error():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(LimbwardError, match="outside the ephemeris"):
            local_circumstances("2200-01-01", SITE)
    with pytest.raises(LimbwardError, match="YYYY-MM-DD"):
        local_circumstances("12 August", SITE)


def test_kinds_of_eclipse():
    """Paths as on any published map of these eclipses (common knowledge, no single source)."""
    albuquerque, reno = Site(35.1, -106.6, 1500), Site(39.5, -119.8, 1350)
    assert local_circumstances("2023-10-14", albuquerque).kind == "annular"
    assert local_circumstances("2023-10-14", reno).kind == "partial"
    # The hybrid eclipse of 2023 April 20 was total at Exmouth.
    assert local_circumstances("2023-04-20", Site(-21.9, 114.1)).kind == "total"
    assert local_circumstances("2026-01-05", SITE).kind == "none"


def test_a_date_one_day_off_is_no_eclipse_and_names_the_right_one():
    for date in ("2026-08-11", "2026-08-13"):
        found = local_circumstances(date, SITE)
        assert (found.kind, found.other_date, found.contacts) == ("none", "2026-08-12", {})


@pytest.mark.filterwarnings("ignore:UT1")
def test_an_eclipse_across_0h_utc_and_the_date_line():
    """2028 July 22 (UTC) over Sydney, where it is the afternoon of the same local date."""
    found = local_circumstances("2028-07-22", Site(-33.87, 151.21))
    assert found.kind == "total"
    # 2016 March 9 was total in Indonesia; east of the date line it was still March 8.
    pacific = Site(20.0, -160.0)
    west, east = (
        local_circumstances(d, pacific).contacts["C1"].time for d in ("2016-03-09", "2016-03-08")
    )
    assert abs((west - east).to_value("s")) < 1e-3
    greatest = local_circumstances("2016-03-09", pacific).contacts["greatest"].time
    assert greatest.utc.iso.startswith("2016-03-09 0")


def test_sunset_during_the_eclipse_and_contacts_below_the_horizon():
    """2026 August 12 at the Spanish coast: the Sun set between C3 and C4 (altitude -0.83)."""
    found = local_circumstances("2026-08-12", Site(39.6, 2.9, 120))
    assert found.visible
    assert "sunset" in found.sun_events
    assert found.contacts["C4"].altitude < 0
    assert not found.to_json_dict()["contacts"]["C4"]["above_horizon"]
    sky = view(Time(found.sun_events["sunset"]), Site(39.6, 2.9, 120))
    assert sky.sun_altitude[0] == pytest.approx(-0.8333, abs=1e-3)


def test_contacts_touch_in_the_direct_computation():
    """The Chebyshev track against `view`, which interpolates nothing: 1e-4 arcsec."""
    found = local_circumstances("2026-08-12", SITE)
    for name, sign in (("C1", 1), ("C4", 1), ("C2", -1), ("C3", -1)):
        sky = view(found.contacts[name].time, SITE)
        touching = sky.moon_radius_arcsec + sign * sky.sun_radius_arcsec
        assert sky.separation_arcsec == pytest.approx(touching, abs=1e-4)


def test_many_sites_are_as_one_by_one():
    sites = [Site(60.0, -20.0), SITE, Site(40.0, 3.0)]
    for site, many in zip(sites, local_circumstances_many("2026-08-12", sites), strict=True):
        alone = local_circumstances("2026-08-12", site)
        assert alone.to_json_dict() == many.to_json_dict()


@given(separation=st.floats(0, 3), moon=st.floats(0.3, 2))
def test_overlap_is_a_fraction_and_falls_with_distance(separation, moon):
    def fraction(d):
        return float(overlap_fraction(np.array(d), np.array(1.0), np.array(moon)))

    assert 0 <= fraction(separation) <= 1
    assert fraction(separation + 0.01) <= fraction(separation) + 1e-12


def test_overlap_of_two_equal_circles_at_one_radius():
    """Area of a lens of two unit circles one apart: 2 pi/3 - sqrt(3)/2."""
    expected = (2 * np.pi / 3 - np.sqrt(3) / 2) / np.pi
    assert overlap_fraction(np.array(1.0), np.array(1.0), np.array(1.0)) == pytest.approx(expected)
