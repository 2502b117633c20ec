"""The Moon's limb in simulated pictures."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest
from astropy.time import Time

from limbward.cli.demo import choose_scenario
from limbward.errors import ConfigError
from limbward.simulate.corona import corona
from limbward.simulate.limb import moon_at
from limbward.simulate.scenario import demo_scenario
from limbward.simulate.scene import Placement, paint
from limbward.sky.ephemeris import Site
from limbward.sky.libration import turned_moon
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.lunar_limb import limb_of

GREATEST = datetime(2026, 8, 12, 17, 46)
SCALE = 0.5


def painted_limb(moon):
    """Height of a painted Moon's limb in arcsec at 720 angles, by the light that it hides.

    A Moon of 950 arcsec in front of a Sun twice as large, half an arcsecond a pixel, north up.
    """
    size = int(2 * 960 / SCALE) + 41
    middle = (size - 1) / 2
    to_sky = np.array([[-SCALE, 0.0], [0.0, -SCALE]])
    place = Placement(middle, middle, middle, middle, to_sky, 1900.0, 950.0, 0.0, SCALE)
    white = paint((size, size), place, corona(1), moon).white
    y, x = np.mgrid[:size, :size] - middle
    r = np.hypot(x, y) * SCALE
    angle = np.degrees(np.arctan2(-x, -y)) % 360.0
    near = np.abs(r - 950.0) < 6.0
    band = (angle[near] * 2).astype(int) % 720
    hidden = white[near] < 0.5 * white[int(middle), -1]
    # Of the pixels of a band 12 arcsec wide, the part that is hidden.
    share = np.bincount(band, hidden, 720) / np.bincount(band, minlength=720)
    return 12.0 * (share - 0.5)


def test_the_painted_limb_is_that_of_place_and_time():
    scenario = demo_scenario(1.0)
    seen = painted_limb(moon_at(scenario, GREATEST, 1))
    limb = limb_of(turned_moon(Time(GREATEST), scenario.site)).profile(scenario.sizes)
    true = limb.height(np.arange(720) * 0.5 + 0.25)
    assert np.corrcoef(seen, true)[0, 1] > 0.97
    assert abs(np.polyfit(true, seen, 1)[0] - 1.0) < 0.05
    mirrored = limb.height(-(np.arange(720) * 0.5 + 0.25))
    assert np.corrcoef(seen, mirrored)[0, 1] < 0.6


def test_the_limb_moves_on_with_time():
    scenario = demo_scenario(1.0)
    first, later = (moon_at(scenario, GREATEST + timedelta(hours=h), 1) for h in (-1.0, 1.0))
    assert 0.01 < np.std(later.limb_arcsec - first.limb_arcsec) < 0.3


def test_other_moons_are_had_for_the_asking():
    scenario = demo_scenario(1.0)
    smooth = moon_at(replace(scenario, limb="smooth"), GREATEST, 1)
    assert np.all(smooth.limb_arcsec == 0.0)
    invented = moon_at(replace(scenario, limb="invented", limb_rms_arcsec=0.5), GREATEST, 1)
    assert np.std(invented.limb_arcsec) == pytest.approx(0.5, rel=1e-3)
    given = LimbProfile(np.arange(0.0, 360.0, 10.0), np.linspace(-1.0, 1.0, 36))
    own = moon_at(replace(scenario, limb=given), GREATEST, 1)
    assert own.limb_arcsec[100] == pytest.approx(given.height_arcsec[1])
    # Each has the maria of its seed.
    assert np.array_equal(own.albedo, smooth.albedo)


@pytest.mark.filterwarnings("ignore:ERFA", "ignore:The Earth's rotation")
def test_after_2050_the_limb_is_invented():
    old = replace(demo_scenario(1.0), date="2052-03-30", site=Site(27.0, -95.0))
    moon = moon_at(old, datetime(2052, 3, 30, 18), 1)
    assert np.std(moon.limb_arcsec) == pytest.approx(old.limb_rms_arcsec, rel=1e-3)


def test_the_sun_is_the_one_that_is_measured_where_the_limb_is_real():
    """L. Quaglia et al., ApJS 256 (2021) 36: 959.95 arcsec at 1 au; the tables have 959.63."""
    scenario = demo_scenario(1.0)
    arcsec = np.degrees(3600.0) / 149597870.7
    real = scenario.sizes.solar_radius_km * arcsec
    smooth = replace(scenario, limb="smooth").sizes.solar_radius_km * arcsec
    assert real == pytest.approx(959.95, abs=0.02)
    assert smooth == pytest.approx(959.63, abs=0.02)


def test_a_limb_is_chosen_by_name_or_file(tmp_path):
    assert choose_scenario("telescope", megapixels=1.0).limb == "real"
    assert choose_scenario("telescope", megapixels=1.0, limb="smooth").limb == "smooth"
    path = tmp_path / "limb.csv"
    path.write_text("\n".join(f"{a},0.5" for a in range(0, 360, 10)))
    own = choose_scenario("telescope", megapixels=1.0, limb=str(path)).limb
    assert isinstance(own, LimbProfile)
    with pytest.raises(ConfigError, match="No limb is called 'rough'"):
        choose_scenario("telescope", megapixels=1.0, limb="rough")
