"""The second simulator's limb, and by it the package's, which searches where this one projects."""

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from limbward.sky.ephemeris import Site as ProductSite
from limbward.sky.limb_track import limb_track
from tests.apart.ephemeris import Site
from tests.apart.limb import BANDS, RealLimb, profile
from tests.sky import moon_files


@pytest.mark.parametrize(
    ("date", "latitude", "longitude", "seconds"),
    [("2026-08-12", 65.0, -23.4, 63960.0), ("2024-04-08", 25.3, -104.1, 62880.0)],
)
def test_two_ways_to_the_limb_agree(date, latitude, longitude, seconds):
    """The highest of each twelfth of a degree is a little higher than the limb at its middle."""
    moon_files.whole_grid(), moon_files.kernel()
    here = profile(Site(latitude, longitude, 0.0, date), seconds)
    epoch = Time(date) + TimeDelta(seconds - 900.0, format="sec")
    limbs = limb_track(epoch, ProductSite(latitude, longitude))
    there = limbs.at(900.0).height(np.arange(BANDS) * (360.0 / BANDS))
    assert np.std(here - there) < 0.06
    assert 0.0 < np.mean(here - there) < 0.1
    wave = np.fft.rfft(here - there)[1] / (BANDS / 2)
    assert abs(wave) < 0.05  # of the centre, arcsec; the limb's own is ten times that
    assert np.std(there) > 0.5


def test_the_limb_of_a_moment_lies_between_those_of_the_table():
    moon_files.whole_grid(), moon_files.kernel()
    limb = RealLimb(Site(65.0, -23.4, 0.0, "2026-08-12"), 1, 3e-10)
    limb.turn(63900.0)
    before = limb.profile
    limb.turn(64350.0)
    middle = limb.profile
    limb.turn(64800.0)
    assert np.allclose(middle, 0.5 * (before + limb.profile), atol=1e-4)
    assert limb.height(np.array([0.0]))[0] == pytest.approx(limb.profile[0])
