"""The Moon's limb through an eclipse."""

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from limbward.sky.earth import observer_earth_fixed
from limbward.sky.ephemeris import Site, geocentric, tangent_offset, topocentric
from limbward.sky.libration import turned_moon
from limbward.sky.limb_track import STEP_S, limb_track
from limbward.sky.lunar_limb import limb_of

SITE = Site(25.5, 32.6)
GREATEST = Time("2027-08-02T10:02:00")


@pytest.fixture(scope="module")
def limbs():
    return limb_track(GREATEST, SITE)


@pytest.mark.parametrize("seconds", [-4500.0, 0.5 * STEP_S, 3456.7])
def test_between_the_limbs_that_are_computed_it_is_the_one_of_the_time(limbs, seconds):
    """Against the limb of that very instant, in position angles about the Sun's centre.

    How north at the Moon is turned there is found by going north from the Moon's centre.
    """
    time = GREATEST + TimeDelta(seconds, format="sec")
    place = [np.array([v]) for v in (SITE.latitude, SITE.longitude, SITE.height)]
    sun, moon = topocentric(geocentric(Time([time])), observer_earth_fixed(*place))
    x, y, z = moon[0]
    north = np.array([-x * z, -y * z, x * x + y * y]) / np.hypot(x, y) / np.linalg.norm(moon)
    ends = tangent_offset(sun, moon), tangent_offset(sun, moon + 10.0 * north)
    east, up = np.subtract(ends[1], ends[0])
    turned = float(np.degrees(np.arctan2(east, up))[0])
    exact = limb_of(turned_moon(time, SITE)).profile()
    angle = np.arange(0.0, 360.0, 0.37)
    off = limbs.at(seconds).height(angle) - exact.height(angle - turned)
    assert np.sqrt(np.mean(off**2)) < 0.02
    if abs(turned) > 0.05:  # a turn the other way would be noticed
        wrong = limbs.at(seconds).height(angle) - exact.height(angle + turned)
        assert np.std(wrong) > 1.5 * np.std(off)


def test_the_limb_changes_in_an_hour_by_more_than_is_left_between(limbs):
    change = limbs.at(4500.0).height_arcsec - limbs.at(-4500.0).height_arcsec
    assert 0.03 < np.std(change) < 0.5


@pytest.mark.filterwarnings("ignore:ERFA", "ignore:The Earth's rotation")
def test_where_the_moons_orientation_is_not_known_there_is_none():
    assert limb_track(Time("1851-07-28T14:00:00"), SITE) is None
    # A first quarter: the Moon is turned as it is at no eclipse.
    assert limb_track(Time("2026-01-10T12:00:00"), SITE) is None
