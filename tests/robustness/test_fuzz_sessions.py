"""Sessions of the other simulator, measured and not drawn: clocks gone wrong, sites as stated."""

from dataclasses import replace

import numpy as np
import pytest

from tests.apart.cases import CASES
from tests.robustness.fuzz_sessions import session


@pytest.mark.parametrize(
    ("case", "seed"),
    [("clock-set-thrice", 2), ("clock-midnight", 1), ("clock-12h", 4), ("clock-drift-60", 5)],
)
def test_no_time_is_far_beyond_its_error(case, seed):
    found = session(CASES[case], seed, 0.05)
    assert np.isfinite(found.off_s).all()
    assert found.pulls.max() < 5
    assert abs(found.clock_off_s) < 4 * found.clock_sigma_s
    assert found.clock_sigma_s < 1


def test_a_clock_that_stood_still_leaves_times_by_crescents_and_order():
    found = session(CASES["clock-equal"], 2, 0.05)
    assert np.isnan(found.clock_off_s)
    assert found.pulls.size > 0.9 * found.off_s.size
    assert found.pulls.max() < 5
    assert "stood still" in found.warnings[0]


def test_a_site_thirty_kilometres_off_is_said_and_covered():
    case = replace(CASES["calm"], site_error_km=30.0, site_error_way="east")
    found = session(case, 0, 0.05)
    assert "The crescents fit a site" in found.warnings[0]
    assert abs(found.clock_off_s) < 3 * found.clock_sigma_s
