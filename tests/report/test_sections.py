"""Words and warnings of the report."""

from __future__ import annotations

import warnings
from datetime import datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from limbward.limb.relief import LimbVerdict
from limbward.report import Coverage, Reach
from limbward.report.build import left_out
from limbward.report.charts import coverage_charts
from limbward.report.checks import advise, missing_numbers
from limbward.report.sections import tone_section
from limbward.report.timeline import central_span, contact_times, whole_span, within
from limbward.report.wording import clock_sentences, correction, exposure_text, size_text, time_text
from tests.report.pages import GREATEST, clock, contacts, frame, material


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (1 / 8000, "1/8000 s"),
        (0.002, "1/500 s"),
        (1 / 30, "1/30 s"),
        (0.25, "1/4 s"),
        (0.5, "1/2 s"),
        (0.3, "0.3 s"),
        (1.0, "1 s"),
        (2.5, "2.5 s"),
        (30.0, "30 s"),
        (float("nan"), "not known"),
        (0.0, "not known"),
    ],
)
def test_exposures_are_written_as_on_a_camera(seconds, text):
    assert exposure_text(seconds) == text


@given(st.floats(1e-5, 1e4))
def test_written_exposure_is_within_a_sixth_of_a_stop(seconds):
    text = exposure_text(seconds).removesuffix(" s")
    upper, _, lower = text.partition("/")
    assert abs(np.log2(float(upper) / float(lower or 1) / seconds)) < 1 / 6


def test_times_are_rounded_not_cut():
    assert time_text(datetime(2026, 8, 12, 17, 59, 59, 970000)) == "18:00:00.0"
    assert time_text(datetime(2026, 8, 12, 17, 45, 51, 771000)) == "17:45:51.8"
    assert time_text(GREATEST, 0) == "17:46:51"


def test_sizes_are_decimal_as_on_cards():
    assert [size_text(s) for s in (500, 7_997_624, 64_000_000_000)] == ["0.5 kB", "8 MB", "64 GB"]


def test_clock_in_plain_words():
    text = " ".join(clock_sentences(clock()))
    assert "At 17:46:51 UTC the clock was 58.3 ± 0.1 s slow" in text
    assert "gaining 2.4 ± 0.3 s/h" in text
    assert "23 frames" in text
    assert "subtract 3 h, then add 58.3 s" in text


def test_the_moons_limb_is_told_with_the_clock():
    said = LimbVerdict("real", 0.98, 0.03, 24).sentence()
    assert said in clock_sentences(clock(lunar_limb={"decision": "real", "said": said}))


@given(st.integers(-48, 56), st.floats(-400.0, 400.0))
def test_correction_puts_a_reading_on_utc(quarters, offset):
    """The contract: the clock reads UTC + utc_offset_hours + offset_s."""
    hours = quarters / 4
    reading = GREATEST + timedelta(hours=hours, seconds=offset)
    for step in correction(clock(utc_offset_hours=hours, offset_s=offset)).split(", then "):
        amount, unit = step.removeprefix("subtract ").removeprefix("add ").split()
        sign = -1 if step.startswith("subtract") else 1
        reading += sign * timedelta(seconds=float(amount) * {"h": 3600.0, "s": 1.0}[unit])
    assert abs((reading - GREATEST).total_seconds()) <= 0.0501  # seconds are given to a tenth


def test_beads_are_told_of_whether_used_or_not():
    beads = {"frames": 9, "sigma_s": 0.062, "why_not": None}
    text = " ".join(clock_sentences(clock(sources=["beads", "totality"], beads=beads)))
    assert "the beads on the Moon's limb by its relief" in text
    assert "(9 frames), by the Moon's relief, give the clock to 0.06 s" in text
    text = " ".join(clock_sentences(clock(beads=beads | {"why_not": "they are of no use"})))
    assert "(9 frames): they are of no use." in text


def test_clock_that_nothing_tells_of():
    unknown = clock(offset_s=None, utc_offset_hours=None)
    assert "have no UTC" in clock_sentences(unknown)[0]
    assert "without error" in clock_sentences(clock(offset_s=None))[0]


def test_frames_left_out_are_grouped_by_reason():
    frames = [
        frame("a/A.DNG", "totality", used=True),
        frame("a/B.DNG", "totality", note="clouds"),
        frame("a/C.DNG", "totality", note="clouds"),
        frame("a/D.DNG", "totality"),
        frame("a/E.DNG", "partial"),
    ]
    assert left_out(frames) == [
        ("clouds", 2, "B.DNG, C.DNG"),
        ("no reason is recorded", 1, "D.DNG"),
    ]


@given(st.integers(1, 9999), st.lists(st.booleans(), min_size=2, max_size=60))
def test_missing_numbers_are_those_taken_away(first, kept):
    """Also where the count rolls over from 9999 to 0001; pairs share a number."""
    numbers = [(first - 1 + i) % 9999 + 1 for i in range(len(kept))]
    there = [n for n, keep in zip(numbers, kept, strict=True) if keep]
    shots = [frame(f"{n}.{e}", number=n, roll="r") for n in there for e in ("DNG", "JPG")]
    told = []
    for _, a, b in missing_numbers(shots):
        while True:
            told.append(a)
            if a == b:
                break
            a = a % 9999 + 1
    inside = (
        kept.index(True) if any(kept) else 0,
        len(kept) - kept[::-1].index(True) if any(kept) else 0,
    )
    gone = [n for n, keep in list(zip(numbers, kept, strict=True))[slice(*inside)] if not keep]
    assert told == gone


def test_counts_of_two_cameras_are_not_mixed():
    shots = [frame(number=n, roll=roll) for n, roll in [(1, "a"), (80, "b"), (2, "a"), (81, "b")]]
    assert missing_numbers(shots) == []


def test_warnings_say_what_to_do():
    frames = [
        frame("a/TEST0001.DNG", number=1, roll="TEST"),
        frame("a/TEST0004.DNG", "unreadable", number=4, roll="TEST"),
        frame("a/TEST0005.DNG", "totality", number=5, roll="TEST", note="clouds"),
        frame("b/TEST0005.DNG", "other", note="It is a copy of a/TEST0005.DNG"),
    ]
    found = advise(
        material(
            contacts=contacts(), frames=frames, clocks=[clock(warnings=["The clock was set."])]
        )
    )
    text = " ".join(f"{a.what} {a.todo}" for a in found)
    assert "a/TEST0004.DNG" in found[0].what
    assert "from the card" in found[0].todo
    assert "TEST 0002 to TEST 0003" in text
    assert "The clock was set." in text
    assert "timing.references" in text
    assert "none was merged" in text
    assert all(a.todo for a in found)


def test_totality_where_there_was_none_points_to_the_site():
    found = advise(material(contacts=contacts("partial"), frames=[frame(phase="totality")]))
    assert "Check site and eclipse" in found[0].todo


def test_thin_coverage_asks_for_other_exposures():
    edges = np.linspace(1.0, 2.0, 11)

    def reach(exposure, frames, begin, end):
        return Reach(exposure, 100.0, frames, (edges[:-1] >= begin) & (edges[1:] <= end + 1e-9))

    coverage = Coverage(edges, [reach(0.001, 5, 1.2, 1.5), reach(1.0, 5, 1.7, 1.9)])
    whats = [a.what for a in advise(material(coverage=coverage))]
    assert [w for w in whats if w.startswith("Within 1.20")]
    assert [w for w in whats if w.startswith("Beyond 1.90")]
    assert [w for w in whats if w.startswith("Between 1.50 and 1.70")]


def test_names_of_exposures_have_room_whatever_their_length():
    """The browser cuts off on the left what does not fit: of 1/4000 s the 0 s was left."""
    edges = np.linspace(1.0, 2.0, 11)
    reaches = [Reach(1 / 4000, iso, 12, edges[:-1] < 1.5) for iso in (100.0, 400.0)]
    bars, _ = coverage_charts(Coverage(edges, reaches), "")
    assert max(map(len, bars.y.names)) == len("1/4000 s, ISO 100 × 12")
    assert bars.gutter > 6.5 * len("1/4000 s, ISO 100 × 12")


def test_cloud_and_a_reflection_are_told_with_their_size():
    found = advise(
        material(
            cloud={"frames": 7, "least_transmission": 0.62, "common_sigma": 0.02},
            ghost={"strength": [8e-4, 9e-4, 1.1e-3]},
        )
    )
    cloud = next(a for a in found if "Cloud" in a.what)
    assert "62 %" in cloud.what
    assert "use: drop" in cloud.todo
    ghost = next(a for a in found if "reflection" in a.what)
    assert "0.001 of its light" in ghost.what
    assert not [a for a in advise(material()) if "Cloud" in a.what or "reflection" in a.what]


def test_timeline_reaches_half_an_hour_beyond_the_contacts():
    times = contact_times(contacts())
    span = whole_span(times)
    assert times["C1"] - span[0] == span[1] - times["C4"] == timedelta(minutes=30)
    assert central_span(contact_times(contacts("partial"))) is None
    frames = [
        frame(time=span[0] - timedelta(seconds=1)),
        frame(time=span[0]),
        frame(time=None),
        frame(exposure_s=float("nan")),
    ]
    assert list(within(frames, span)) == [1]


def test_a_tone_curve_that_is_black_below_nothing_is_drawn_where_radiance_has_a_logarithm():
    tone = {
        "dark": -30.0, "soft": 100.0, "bright": 1e5, "floor": 0.02, "ceiling": 0.98,
        "curve": "", "inverse": "",
    }  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        section = tone_section(tone)
    assert "nan to" not in str(section)
