"""How the Moon is turned, against series, the IAU's model and published values."""

import numpy as np
import pytest
from astropy.coordinates import get_body
from astropy.time import Time
from scipy.optimize import fsolve

from limbward.errors import LimbwardError
from limbward.sky.ephemeris import Site, view
from limbward.sky.libration import _rotation, orientation_known, turned_moon
from tests.reference.meeus_libration import iau_libration, libration
from tests.sky.moon_files import kernel

# Instants of solar eclipses, but for the example of Meeus.
INSTANTS = ("1992-04-12T00:00", "2001-06-21T12:03:46", "2002-12-04T06:30", "2006-03-29T10:11:18",
            "2017-08-21T18:26", "2026-08-12T17:46")  # fmt: skip


def central_site(time: Time, near: tuple[float, float]) -> Site:
    """Return where the centres of Sun and Moon coincide."""

    def apart(place):
        sky = view(time, Site(*place))
        return [sky.moon_east_arcsec[0], sky.moon_north_arcsec[0]]

    return Site(*fsolve(apart, near))


def test_the_series_give_their_published_example():
    """Meeus (1998), example 53.a: 1992 April 12, 0h TD."""
    found = libration(Time("1992-04-12T00:00", scale="tt"))
    assert found == pytest.approx((-1.23, 4.20, 15.08), abs=0.006)


@pytest.mark.parametrize("instant", INSTANTS)
def test_from_the_earths_centre_it_is_as_by_the_series(instant):
    """The series' own error is some 0.005 degrees; wrong signs of the mean pole are 0.04."""
    moon = turned_moon(Time(instant))
    longitude, latitude, axis = libration(Time(instant), mean_pole=True)
    assert moon.longitude[0] == pytest.approx(longitude, abs=0.01)
    assert moon.latitude[0] == pytest.approx(latitude, abs=0.01)
    assert moon.axis_position_angle[0] == pytest.approx(axis, abs=0.03)


@pytest.mark.parametrize("instant", INSTANTS)
def test_from_the_earths_centre_it_is_as_by_the_iau(instant):
    time = Time(instant)
    # astropy's Moon is ERFA's series, good to 5 arcsec, seen from the Earth's centre.
    place = get_body("moon", time, ephemeris="builtin").cartesian.xyz.value
    moon = turned_moon(time)
    longitude, latitude = iau_libration(time, place)
    assert moon.longitude[0] == pytest.approx(longitude, abs=0.012)
    assert moon.latitude[0] == pytest.approx(latitude, abs=0.01)


@pytest.mark.parametrize(
    ("instant", "near", "published"),
    [
        ("2002-12-04T06:00", (-14, 18), 4.50),
        ("2002-12-04T06:30", (-26, 35), 4.24),
        ("2002-12-04T07:00", (-34, 47), 3.99),
    ],
)
def test_along_a_central_line_it_is_as_published(instant, near, published):
    """F. Espenak and J. Anderson, NASA/TP-2001-209990, the table of the limb's corrections."""
    site = central_site(Time(instant), near)
    assert turned_moon(Time(instant), site).longitude[0] == pytest.approx(published, abs=0.03)
    # From the Earth's centre it is a degree less in the first: these are the observer's.
    assert abs(turned_moon(Time(instant)).longitude[0] - published) > 0.3


# F. Espenak and J. Anderson, NASA/TP-1999-209484 and NASA/TP-2004-212762, table 1: the Moon's l, b
# and c at greatest eclipse, to a tenth of a degree. So 0.05 degrees are all that can be asked.
GREATEST = {"2001-06-21T12:03:46": (-3.8, 0.7, None), "2006-03-29T10:11:18": (2.3, -0.6, -21.7)}
PRINTED_TO = 0.05


def not_as_printed(off: float):
    """Mark a printed value that is further off than its rounding; why is not known."""
    return pytest.mark.xfail(
        strict=True, reason=f"{off} degrees from the printed value, which is rounded to 0.05"
    )


@pytest.mark.parametrize(
    ("instant", "which"),
    [
        ("2001-06-21T12:03:46", 0),
        pytest.param("2001-06-21T12:03:46", 1, marks=not_as_printed(0.056)),
        pytest.param("2006-03-29T10:11:18", 0, marks=not_as_printed(0.132)),
        pytest.param("2006-03-29T10:11:18", 1, marks=not_as_printed(0.087)),
        ("2006-03-29T10:11:18", 2),
    ],
)
def test_at_greatest_eclipse_it_is_as_printed_for_the_earths_centre(instant, which):
    """Three of five are further off than their rounding, by up to 0.08 degrees, and that is not
    explained: see below.
    """
    moon = turned_moon(Time(instant))
    found = (moon.longitude, moon.latitude, moon.axis_position_angle)[which][0]
    assert abs(found - GREATEST[instant][which]) <= PRINTED_TO


def misses(found, instant: str) -> list[float]:
    """Return how far values are off the printed ones beyond their rounding, degrees."""
    pairs = zip(found, GREATEST[instant], strict=True)
    return [max(abs(a - b) - PRINTED_TO, 0.0) for a, b in pairs if b is not None]


def test_no_reading_of_those_tables_explains_all_of_them():
    """By the series, without the package: other instants, and the optical libration alone.

    Conjunction in right ascension is 11:58:02 and 10:33:21 UT, in longitude 11:57:58 and 10:15:17.
    The optical libration alone has the values of 2001, not those of 2006. Values like the printed
    ones hold later than greatest eclipse, by 0.1 to 1.5 h in 2001 and 1.1 to 1.6 h in 2006.
    """
    first, second = GREATEST
    assert misses(libration(Time(first), physical=False), first) == [0.0, 0.0]
    for time in (second, "2006-03-29T10:33:21", "2006-03-29T10:15:17"):
        for how in ({}, {"mean_pole": True}, {"physical": False}):
            l_off, _, c_off = misses(libration(Time(time), **how), second)
            assert 0.02 < l_off < 0.1
            assert c_off == 0.0
    as_tt = libration(Time(second, scale="tt"), mean_pole=True)
    assert misses(as_tt, second) == pytest.approx(
        misses(libration(Time(second), mean_pole=True), second), abs=0.003
    )
    for time, instant in (("2001-06-21T12:45", first), ("2006-03-29T11:40", second)):
        assert not any(misses(libration(Time(time), mean_pole=True), instant))


@pytest.mark.parametrize(
    ("instant", "near"),
    [("2001-06-21T12:03:46", (-11.3, 2.7)), ("2006-03-29T10:11:18", (23.2, 16.8))],
)
def test_they_are_not_those_of_the_observer_at_greatest_eclipse(instant, near):
    """Whose latitude is half a degree away."""
    seen = turned_moon(Time(instant), central_site(Time(instant), near))
    assert abs(seen.latitude[0] - GREATEST[instant][1]) > 0.4


@pytest.mark.filterwarnings("ignore:ERFA", "ignore:The Earth's rotation")
def test_before_1900_and_after_2050_it_is_not_known():
    assert orientation_known(Time("1900-05-28T15:00"))
    assert orientation_known(Time("2050-11-14T13:00"))
    for year in (1899, 2051):
        assert not orientation_known(Time(f"{year}-06-01T00:00"))
    with pytest.raises(LimbwardError, match="1900 to 2050"):
        turned_moon(Time("2052-03-30T18:00"))


def test_the_packaged_orientation_is_that_of_the_kernel():
    pck = pytest.importorskip("jplephem.pck")
    with kernel().open("rb") as file:
        segment = pck.PCK(pck.DAF(file)).segments[0]
        for seconds in (-3.1e9, 12345.6, 0.4e9, 1.6e9):
            node, tilt, spin = segment.compute(2451545.0, seconds / 86400.0, False)
            z, x = np.array([0.0, 0.0, 1.0]), np.array([np.cos(node), np.sin(node), 0.0])
            pole = _turn(z, x, tilt)
            first = _turn(x, pole, spin)
            principal = np.stack([first, np.cross(pole, first), pole])
            # 104 arcsec to the mean axes: the angle of the rotation between the two.
            between = _rotation(np.array([seconds]))[0] @ principal.T
            angle = np.arccos((np.trace(between) - 1.0) / 2.0)
            assert np.degrees(angle) == pytest.approx(0.0288473, abs=1e-6)  # NAIF, moon_080317.tf


def _turn(vector, axis, angle):
    """Rodrigues' rotation."""
    return (vector * np.cos(angle) + np.cross(axis, vector) * np.sin(angle)
            + axis * (axis @ vector) * (1.0 - np.cos(angle)))  # fmt: skip
