"""Leap seconds read from the package's file against Astropy's own reading of it."""

import subprocess
import sys

import erfa
import numpy as np
from astropy.utils import iers

from limbward.sky.leap_seconds import leap_seconds

FIRST_TIMES = """
import sys
import limbward.sky.earth
from astropy.time import Time
before = Time(["2016-12-31T23:59:59", "2017-01-01T00:00:00"], scale="utc")
print(round(float((before[1].tai - before[0].tai).sec), 6), "astropy.table" in sys.modules)
"""


def test_they_are_those_that_astropy_reads():
    table, own = iers.LeapSeconds.from_iers_leap_seconds(), leap_seconds()
    for name in ("year", "month", "tai_utc"):
        np.testing.assert_array_equal(own[name], np.asarray(table[name]))
    # Announced in Bulletin C: 37 s from the beginning of 2017.
    assert own[own["year"] == 2017].tolist() == [(2017, 1, 37.0)]


def test_one_that_erfa_lacks_is_taken():
    known = erfa.leap_seconds.get()
    try:
        erfa.leap_seconds.set(known[:-2])
        assert erfa.leap_seconds.update(leap_seconds()) == 2
        np.testing.assert_array_equal(erfa.leap_seconds.get(), known)
    finally:
        erfa.leap_seconds.set(known)


def test_times_need_no_tables():
    """The last second of 2016 is two seconds long."""
    said = subprocess.run(
        [sys.executable, "-c", FIRST_TIMES], capture_output=True, text=True, check=True
    )
    assert said.stdout.split() == ["2.0", "False"]
