"""What frames tell about their clock, from readings and stamps made by hand."""

from datetime import datetime

import numpy as np
import pytest

from limbward.clock.readings import (
    Body,
    Readings,
    Reference,
    bodies,
    direct_evidence,
    far_instants,
    seconds_from,
    totality_evidence,
    unclear_reference,
)
from limbward.clock.times import Times

ZERO = datetime(2026, 8, 12, 17, 45)


def texts(*values):
    return np.array(values, dtype=object)


def readings(phase, reading, *, gps=None, file=None, step=1.0):
    n = len(phase)
    return Readings(
        texts(*(file or [f"card/A{i:04d}.DNG" for i in range(n)])),
        texts(*phase),
        texts(*(gps or [""] * n)),
        np.array(reading, float),
        np.full(n, step),
        np.zeros(n),
        np.arange(n, dtype=float),
    )


def body(n):
    return Body("Model", "1", np.arange(n))


def test_bodies_are_told_apart_and_untimed_frames_left_out():
    camera, serial = texts("B", "A", "B", "A"), texts("1", "1", "2", "1")
    found = bodies(camera, serial, np.array([True, True, True, False]))
    assert [(b.camera, b.serial, b.rows.tolist()) for b in found] == [
        ("A", "1", [1]),
        ("B", "1", [0]),
        ("B", "2", [2]),
    ]


def test_readings_are_bare_dates_and_times():
    found = seconds_from(ZERO, ["2026-08-12T19:45:00.25", ""])
    assert found[0] == 7200.25
    assert np.isnan(found[1])


def test_a_stamp_in_whole_seconds_means_the_middle_of_its_second():
    r = readings(
        ["other"] * 2, [10.0, 20.0], gps=["2026-08-12T17:45:08Z", "2026-08-12T17:45:18.500Z"]
    )
    found = direct_evidence([], body(2), r, ZERO)
    assert found.since_greatest_s.tolist() == [8.5, 18.5]
    assert found.utc_resolution_s.tolist() == [1.0, 0.0]


def test_a_reference_shot_is_taken_at_its_word():
    reference = Reference("A0001.DNG", datetime(2026, 8, 12, 17, 44, 58))
    found = direct_evidence([reference], body(3), readings(["other"] * 3, [0, 5, 9]), ZERO)
    assert (found.reading_s.tolist(), found.since_greatest_s.tolist()) == ([5.0], [-2.0])
    assert found.utc_resolution_s.tolist() == [0.0]


def test_instants_of_another_year_are_named_and_not_used():
    reference = Reference("A0000.DNG", datetime(2025, 8, 12))
    r = readings(["other"] * 2, [0, 5], gps=["", "2021-01-01T00:00:00Z"])
    assert direct_evidence([reference], body(2), r, ZERO).since_greatest_s.size == 0
    said = far_instants([reference], body(2), r, ZERO)
    assert ["2025-08-12" in said[0], "2021-01-01" in said[1]] == [True, True]


def test_beads_are_those_before_and_those_after_totality():
    phase = ["contact", "totality", "contact", "totality", "contact"]
    found = totality_evidence((-60.0, 60.0), body(5), readings(phase, [1, 2, 3, 4, 5]))
    assert found.reading_s.tolist() == [2, 4]
    assert (found.before_s.tolist(), found.after_s.tolist()) == ([1.0], [5.0])
    assert (found.second_contact_s, found.third_contact_s) == (-60.0, 60.0)


@pytest.mark.parametrize(
    ("name", "words"),
    [("A0002.DNG", "no frame with a time"), ("A0001.DNG", "2 frames"), ("x/A0001.DNG", "")],
)
def test_a_reference_names_one_frame(name, words):
    files = ["x/A0001.DNG", "y/A0001.DNG", "x/BA0002.DNG"]
    said = unclear_reference(Reference(name, ZERO), files)
    assert words in said
    assert bool(said) == bool(words)


def test_times_of_no_digital_camera_are_forgotten():
    times = Times(readings(["other"] * 2, [0.0, -3e9]))
    said = times.fill_in(body(2), None, None, 0.0)
    assert np.isfinite(times.since_greatest_s).tolist() == [True, False]
    assert "card/A0001.DNG" in said[0]
