"""Phases of a body that sees the Sun in a spectral line."""

from dataclasses import dataclass

import numpy as np
import pytest

from limbward.phase.line import EXCESS, with_larger_sun
from limbward.phase.session import Phases

SUN, MOON, RATE = 950.0, 980.0, 0.5  # arcsec, arcsec a second


@dataclass
class Sky:
    """A Moon that crosses the Sun's centre at 0 s, for the line's track."""

    first_s: float = -1000.0
    last_s: float = 1000.0

    def sun_radius_arcsec(self, t):
        return np.full_like(t, SUN)

    def moon_radius_arcsec(self, t):
        return np.full_like(t, MOON)

    def offset_arcsec(self, t):
        return np.stack([RATE * t, 0.0 * t], axis=1)


def phases(n, phase="totality"):
    made = np.full(n, phase, dtype=object)
    return Phases(made, np.full(n, "", dtype=object), np.ones(n, bool), [])


@pytest.mark.parametrize("sigma", [1e-4, 1.2e-3])
@pytest.mark.parametrize("excess", [0.003, 0.006])
def test_no_crescent_of_the_line_is_totality(excess, sigma):
    t = np.arange(-70.0, 70.0, 0.1)
    found = with_larger_sun(
        phases(t.size), np.arange(t.size), Sky(), (excess, sigma), t, np.full(t.size, 0.2)
    )
    beyond = (1 + excess) * SUN + RATE * np.abs(t) - MOON
    assert (found.phase[beyond > 0] == "contact").all()
    # Two standard errors and a valley of the Moon later, it is totality.
    late = beyond < -2.0 * (sigma * SUN + 0.1 + 0.75)
    assert late.any()
    assert (found.phase[late] == "totality").all()
    changed = found.phase == "contact"
    assert all("larger" in r for r in found.reason[changed])
    assert not found.behind_filter[changed].any()
    assert found.behind_filter[~changed].all()


def test_without_a_measured_excess_that_of_the_chromosphere_is_taken():
    t = np.array([0.0, (MOON - (1 + EXCESS) * SUN) / RATE + 0.5, np.nan])
    found = with_larger_sun(phases(3), np.arange(3), Sky(), None, t, np.zeros(3))
    assert list(found.phase) == ["totality", "contact", "totality"]


def test_other_frames_and_other_phases_stay():
    t = np.full(3, 59.0)
    given = phases(3)
    given.phase[1] = "partial"
    found = with_larger_sun(given, np.array([1, 2]), Sky(), (0.0045, 1e-3), t, np.zeros(3))
    assert list(found.phase) == ["totality", "partial", "contact"]
