"""The standard atmosphere, and what ignoring it does to a clock."""

import numpy as np
import pytest
from astropy.time import Time

from limbward.clock.solve import solve_clock
from limbward.config import Config, place_and_time
from limbward.geometry.orientation import Orientation
from limbward.sky.air import standard_air
from limbward.sky.ephemeris import Site, view
from limbward.sky.track import sky_track
from tests.clock.test_solve import crescents

HIGH = Site(43.2, -3.2, 2200.0)


# ISO 2533:1975, table 5 by geometric height; the pressures of the U.S. Standard Atmosphere 1976,
# which is the same up to 32 km. Cited from memory.
@pytest.mark.parametrize(
    ("height", "hpa", "celsius"),
    [(0, 1013.25, 15.0), (1000, 898.75, 8.5), (2000, 794.95, 2.0), (3000, 701.08, -4.5)],
)
def test_the_table_of_the_standard_atmosphere(height, hpa, celsius):
    air = standard_air(height)
    assert air.pressure_hpa == pytest.approx(hpa, abs=0.05)
    assert air.temperature_c == pytest.approx(celsius, abs=0.01)


def config(**sky):
    return Config.model_validate(
        {
            "site": {"latitude": HIGH.latitude, "longitude": HIGH.longitude, "height": HIGH.height},
            "eclipse": "2026-08-12",
            "input": {"cards": ["card"]},
            "sky": sky,
        }
    )


def test_given_values_win_and_no_refraction_is_no_air():
    standard = standard_air(HIGH.height)
    assert place_and_time.air(config()) == standard
    given = place_and_time.air(config(pressure_hpa=780.0))
    assert (given.pressure_hpa, given.temperature_c) == (780.0, standard.temperature_c)
    given = place_and_time.air(config(temperature_c=0.0))
    assert (given.pressure_hpa, given.temperature_c) == (standard.pressure_hpa, 0.0)
    assert place_and_time.air(config(refraction=False)).pressure_hpa == 0.0


def test_the_clock_at_2200_m_under_a_low_sun():
    """The truth has the table's air at 2200 m: 775.4 hPa, 0.7 degrees C."""
    settings = config()
    greatest = place_and_time.greatest(place_and_time.eclipse(settings))
    altitude = float(view(Time(greatest), HIGH).sun_altitude[0])
    assert 5 < altitude < 15
    truth = sky_track(greatest, HIGH, pressure_hpa=775.4, temperature_c=0.7)
    solved = place_and_time.track(settings, greatest)
    at_sea = sky_track(greatest, HIGH, pressure_hpa=1010.0, temperature_c=10.0)
    pulls, ignored = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        t = np.sort(rng.uniform(90, 2000, 40))
        true = Orientation(3.2, 40.0)
        seen = crescents(
            truth, t, rng, offset=-31.4, drift=0.0, orientation=true, sigma=0.01, step=0.01
        )
        for track, found in ((solved, pulls), (at_sea, ignored)):
            solution = solve_clock(track, crescents=seen)
            found.append((solution.offset_s + 31.4) / solution.offset_sigma_s)
    assert np.abs(pulls).max() < 3
    # The mean of 12 is known to 0.3 sigma. The air of the sea takes it out of that.
    assert abs(np.mean(pulls)) < 1
    assert abs(np.mean(ignored)) > 1.5
