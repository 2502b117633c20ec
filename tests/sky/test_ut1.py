"""UT1 - UTC against astropy's own look-up in the tables of the IERS."""

import numpy as np
import pytest
from astropy.utils import iers
from numpy.testing import assert_allclose

from limbward.sky import ut1


@pytest.fixture
def kept(monkeypatch, tmp_path):
    """Keep the table in a folder of the test's own, and read it anew."""
    path = tmp_path / "deep/ut1.npy"
    monkeypatch.setattr(ut1, "_kept_at", lambda: path)
    ut1.ut1_table.cache_clear()
    yield path
    ut1.ut1_table.cache_clear()


def test_it_is_what_astropy_finds_also_across_leap_seconds(kept):
    table = iers.earth_orientation_table.get()
    random = np.random.default_rng(1).uniform(*table["MJD"].value[[0, -1]], 2000)
    leaps = 57754.0 + np.linspace(-1.5, 1.5, 61)  # the second at the end of 2016
    mjd = np.concatenate([random, leaps])
    expected = table.ut1_utc(2400000.5, mjd).to_value("s")
    assert_allclose(ut1.ut1_minus_utc_at(mjd), expected, rtol=0, atol=1e-12)
    ut1.ut1_table.cache_clear()
    iers_left_alone = kept.stat().st_mtime_ns
    assert_allclose(ut1.ut1_minus_utc_at(mjd), expected, rtol=0, atol=1e-12)
    assert kept.stat().st_mtime_ns == iers_left_alone


@pytest.mark.parametrize("damage", [b"", b"\x93NUMPY", b"nothing of the kind" * 10])
def test_a_damaged_copy_is_made_anew(kept, damage):
    kept.parent.mkdir()
    kept.write_bytes(damage)
    days, value = ut1.ut1_table()
    assert days.size == value.size > 15_000
    assert np.load(kept).shape == (2, days.size)


def test_a_folder_that_cannot_be_made_changes_nothing(kept):
    kept.parent.write_text("a file is in the way")
    assert ut1.ut1_table().shape[0] == 2
