"""Dates of other eclipses, and which piece of a clock its entry is of."""

import numpy as np
import pytest

from limbward.clock.crescent_result import Step
from limbward.clock.entries import describe_clock
from limbward.clock.frames import open_at_epoch, piece_at_epoch
from limbward.clock.solution import ClockSolution
from limbward.config import Config, place_and_time
from tests.clock.test_readings import body, readings


@pytest.fixture(scope="module")
def config():
    return Config.model_validate(
        {
            "site": {"latitude": 42.0, "longitude": -3.7, "height": 900.0},
            "eclipse": "2027-08-02",
            "input": {"cards": ["card"]},
        }
    )


def test_frames_dated_by_another_eclipse_at_the_site(config):
    """12 August 2026 was total in the north of Spain (common knowledge).

    A day off, two years off, or a date of no eclipse is a clock's fault.
    """
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    assert place_and_time.other_eclipse(config, epoch, -355) == "2026-08-12"
    assert [place_and_time.other_eclipse(config, epoch, days) for days in (1, -731, -9720)] == [
        ""
    ] * 3


def test_the_offset_is_that_of_the_piece_in_force_at_greatest_eclipse(config):
    """Set by a minute at -500 s and back at +500 s."""
    spread = np.diag([0.04, 1.0])
    steps = tuple(Step(s, 0.1, a, a + 1.0, 4 * spread) for s, a in ((60.0, 1.0), (-60.0, 4.0)))
    solution = ClockSolution(5.0, 0.0, spread, ("crescents",), steps=steps)
    t = np.array([-900.0, -600.0, -300.0, 0.0, 300.0, 600.0])
    read = readings(["partial"] * 6, t + 4.5 + 60.0 * (np.abs(t) < 500))
    assert solution.since_greatest_s(read.reading_s, 1.0, read.order) == pytest.approx(t)
    piece = piece_at_epoch(solution, body(6), read, t)
    assert piece == 1
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    entry = describe_clock(body(6), solution, 0.0, 6, epoch, piece)
    assert (entry["offset_s"], entry["offset_sigma_s"]) == (65.0, 0.4)
    assert describe_clock(body(6), solution, 0.0, 6, epoch)["offset_s"] == 5.0


def test_a_setting_that_may_lie_before_or_after_the_epoch_is_in_the_stated_error(config):
    """Set by a minute somewhere in totality: where, is open by 30 s for the frames between."""
    spread = np.diag([0.04, 1.0])
    steps = (Step(60.0, 0.1, 1.0, 4.0, 4 * spread),)
    solution = ClockSolution(5.0, 0.0, spread, ("crescents",), steps=steps)
    t = np.array([-900.0, -600.0, -20.0, 20.0, 600.0, 900.0])
    read = readings(["partial"] * 2 + ["totality"] * 2 + ["partial"] * 2, t + 4.5 + 60.0 * (t > 0))
    known = solution.sigma_s(read.reading_s, read.resolution_s, read.order)
    assert open_at_epoch(solution, body(6), read, t, known) == 0.0
    unsure = np.hypot(known, 30.0 * (np.abs(t) < 500))
    left = open_at_epoch(solution, body(6), read, t, unsure)
    assert left == pytest.approx(30.0)
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    entry = describe_clock(body(6), solution, 0.0, 6, epoch, 0, left)
    assert entry["offset_sigma_s"] == pytest.approx(np.hypot(0.2, 30.0), abs=1e-3)
