"""What is said of a clip, for clocks and clips whose truth is known."""

from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.time import Time, TimeDelta

from limbward.clips.catalogue import Clip
from limbward.clips.overview import overview, thumbnail
from limbward.clips.times import (
    borrow_clocks,
    clock_of,
    contacts_in,
    entry_of,
    phase_of,
    start_of,
    words_of,
)
from limbward.clock.solution import ClockSolution
from limbward.limb.measurement import LimbMeasurement

EPOCH = Time("2026-08-12T17:46:00", scale="utc")
CREATED = datetime(2026, 8, 12, 17, 40, 9)
CLIP = Clip(Path("a.mp4"), CREATED, 60.0, 25.0, 1500, 640, 480, "h264", "V")
AT = np.array([1.0, 30.0, 59.0])


def solved(offset_s, sources=("crescents",)):
    return ClockSolution(offset_s, 0.0, np.diag([0.01, 0.0]), sources)


def timed(fast_s, zone=0.0, device="V", created=CREATED):
    """Return the entry of a clip whose clock is fast."""
    clip = Clip(**{**vars(CLIP), "device": device, "created": created})
    reading = (created - EPOCH.to_datetime()).total_seconds() + AT - zone * 3600.0
    entry = entry_of("a.mp4", clip, [LimbMeasurement("partial")] * 3)
    return entry | clock_of(clip, solved(fast_s), AT, reading, EPOCH, zone)


def test_a_clock_that_is_fast_makes_the_clip_earlier():
    entry = timed(7.4)
    assert entry["start_utc"] == "2026-08-12T17:40:01.600Z"
    assert entry["clock"]["offset_s"] == pytest.approx(7.4)
    assert entry["clock"]["utc_offset_hours"] == 0.0
    assert entry["clock"]["residual_rms_s"] is None
    assert entry["notes"] == []
    assert start_of(entry, EPOCH) == pytest.approx(-358.4)


def test_a_zone_that_is_named_is_told_and_no_part_of_what_the_clock_is_fast_by():
    entry = timed(7.4, zone=2.0)
    assert entry["start_utc"] == "2026-08-12T15:40:01.600Z"
    assert (entry["clock"]["utc_offset_hours"], entry["clock"]["offset_s"]) == (2.0, 7.4)


@pytest.mark.parametrize(("fast", "said"), [(59.0, True), (7.4, False), (66.0, False)])
def test_a_creation_time_at_the_end_is_noticed(fast, said):
    assert any("clip's end" in note for note in timed(fast)["notes"]) == said


def test_a_clip_without_a_clock_says_so():
    entry = entry_of("b.mp4", CLIP, [LimbMeasurement("none"), LimbMeasurement("partial")])
    assert "Nothing in this clip tells the true time" in entry["notes"][0]
    assert (entry["samples"], entry["samples_measured"]) == (2, 1)
    assert np.isnan(start_of(entry, EPOCH))
    assert words_of(entry).endswith("start not known")


@pytest.mark.parametrize(
    ("kind", "coverage", "phase"),
    [
        ("totality", 0.4, "other"),
        ("totality", 0.9, "totality"),
        ("contact", 0.4, "other"),
        ("partial", 0.1, "partial"),
        ("none", 0.0, "other"),
    ],
)
def test_half_a_dark_disc_is_not_taken_for_totality(kind, coverage, phase):
    assert phase_of(LimbMeasurement(kind, coverage=coverage)) == phase


def test_clips_without_crescents_get_the_mean_clock_of_the_same_device():
    dark = entry_of("c.mov", CLIP, [])
    other = entry_of("d.mov", Clip(**{**vars(CLIP), "device": "W"}), [])
    undated = entry_of("e.mov", Clip(**{**vars(CLIP), "created": None}), [])
    entries = [timed(7.0), timed(8.0), dark, other, undated, {"file": "bad", "note": "cut"}]
    borrow_clocks(entries)
    assert dark["clock"]["offset_s"] == 7.5
    assert dark["start_utc"] == "2026-08-12T17:40:01.500Z"
    assert dark["clock"]["sources"] == ["other clips"]
    assert other["clock"] is None
    assert undated["clock"] is None
    assert entries[0]["clock"]["sources"] == ["crescents"]


def test_contacts_within_a_clip_are_found_in_order():
    entry = timed(9.0)  # from -360 s to -300 s
    seconds = {"C3": -310.0, "C2": -350.0, "C1": -361.0, "greatest": -320.0, "C4": -299.0}
    contacts = {
        name: SimpleNamespace(time=EPOCH + TimeDelta(s, format="sec"))
        for name, s in seconds.items()
    }
    found = contacts_in(entry, SimpleNamespace(contacts=contacts), EPOCH)
    assert [name for name, _ in found] == ["C2", "C3"]
    assert [at for _, at in found] == pytest.approx([10.0, 50.0])


def test_an_overview_shows_every_still_with_its_words():
    shapes = ((480, 640, 3), (1920, 1080, 3), (48, 64, 3))
    stills = [thumbnail(np.full(shape, 255, np.uint8)) for shape in shapes]
    shown = overview(stills, ["one", "two", "three"])
    assert shown.shape[0] == 3
    lit = (shown > 0.99).all(axis=0).sum()
    assert lit == pytest.approx(460 * 345 + 236 * 420 + 64 * 48, rel=0.01)
