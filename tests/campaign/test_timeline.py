"""Contacts seen by several stations, worked out by hand."""

from math import inf, isnan, nan

import numpy as np
import pytest

from limbward.campaign.timeline import (
    Seen,
    bracket,
    check_contacts,
    clock_fault,
    length_off_s,
    site_fault,
    untimed,
)


def frames(c2, c3, clock_off=0.0, every=1.0):
    """A station that exposes every second; its predicted contacts are at 0 and 100 s."""
    begins = np.arange(-30.0, 130.0, every)
    ends = begins + 0.1
    total = (begins >= c2) & (ends <= c3)
    shines = (begins < c2 - 0.5) | (ends > c3 + 0.5)
    told = begins + clock_off
    second = bracket(told, told + 0.1, total, shines, "C2")
    third = bracket(told - 100.0, told - 99.9, total, shines, "C3")
    return second, third


def seen(name, *, c2=0.2, c3=100.3, clock_off=0.0, sigma=0.2):
    second, third = frames(c2, c3, clock_off)
    return [Seen(name, "C2", *second, sigma), Seen(name, "C3", *third, sigma)]


def test_a_contact_lies_between_frames():
    second, third = frames(0.2, 100.3)
    assert second[0] < 0.2 < second[1] + 1e-9
    assert third[0] - 1e-9 < 0.3 < third[1]
    assert second[1] - second[0] < 2.1


def test_no_frame_tells_nothing():
    nothing = np.array([np.nan])
    assert bracket(nothing, nothing, [True], [False], "C2") == (-inf, inf)
    assert isnan(length_off_s((-inf, inf), (-inf, inf)))


@pytest.mark.parametrize("off", [12.0, -7.0])
def test_the_one_wrong_clock_is_named(off):
    told = [x for k in range(4) for x in seen(f"good{k}")] + seen("bad", clock_off=off)
    checked = check_contacts(told)
    bad = [c for c in checked if c.station == "bad"]
    assert all(c.fits for c in checked if c.station != "bad")
    assert [c.fits for c in bad] == [False, False]
    for c in bad:
        # The true offset, less what the gaps between frames leave open.
        assert abs(off) - 2.2 < np.sign(off) * c.off_s <= abs(off) + 0.3
    assert "clock or its site is wrong" in clock_fault(bad)


def test_what_all_have_in_common_is_nobodys_fault():
    """The prediction is 6 s off for all: the Sun is larger, say."""
    told = [x for k in range(5) for x in seen(f"s{k}", c2=6.2, c3=106.3)]
    assert all(c.fits for c in check_contacts(told))


def test_a_wide_clock_is_not_blamed():
    told = [x for k in range(4) for x in seen(f"s{k}")] + seen("w", clock_off=12.0, sigma=10.0)
    assert all(c.fits for c in check_contacts(told))


def test_a_site_is_told_by_the_length_of_totality():
    """Whatever the clock says."""
    second, third = frames(10.0, 85.0, clock_off=400.0)
    off = length_off_s(second, third)
    assert -25.0 <= off < -22.0
    assert "site is wrong" in site_fault(off, "total", True)
    second, third = frames(-10.0, 112.0)
    assert 20.0 < length_off_s(second, third) <= 22.0
    assert site_fault(length_off_s(*frames(0.2, 100.3)), "total", True) == ""


def test_totality_where_there_should_be_none():
    assert "site is wrong" in site_fault(0.0, "partial", True)
    assert site_fault(0.0, "partial", False) == ""


def test_times_that_cannot_be_relied_on():
    good = [x for k in range(4) for x in seen(f"s{k}")]
    late = [c for c in check_contacts(good + seen("late", clock_off=12.0)) if c.station == "late"]
    assert untimed(late, "", 0.2) == ""  # what moves stands still for 12 s
    gone = [c for c in check_contacts(good + seen("gone", clock_off=90.0)) if c.station == "gone"]
    assert "to 60 s" in untimed(gone, "", 0.2)
    assert "to 60 s" in untimed([], "", 200.0)
    assert "clock is not known" in untimed([], "", nan)
    assert "wrong site" in untimed([], site_fault(0.0, "partial", True), 0.2)
