"""Every frame's time on UTC, by the clocks of all bodies."""

from __future__ import annotations

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.clock.frames import frame_times, open_at_epoch, piece_at_epoch
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.clock.standing import equal_readings
from limbward.limb.partial import PLACES, Discs
from limbward.sky.circumstances import iso_utc

Floats = NDArray[np.float64]

YEAR_S = 365.25 * 86400.0
KNOWN_YEARS = 60  # a frame further from the eclipse bears no date of a digital camera's days


class Times:
    """Columns of N frames that are filled in body by body; NaN where not known.

    Attributes
    ----------
    since_greatest_s, sigma_s : ndarray
        Begin of the exposure from the epoch, and its standard error.
    residual_s : ndarray
        Of the crescents that the clock solution uses.
    roll_deg : ndarray
        How far a hand has rolled the camera about its axis beside totality, in partial frames.
    place : dict of str to ndarray
        Discs of partial frames, measured anew, pixels.
    """

    def __init__(self, readings: Readings) -> None:
        n = readings.file.size
        self.readings = readings
        self.since_greatest_s, self.sigma_s = np.full(n, np.nan), np.full(n, np.nan)
        self.residual_s, self.roll_deg = np.full(n, np.nan), np.full(n, np.nan)
        self.place = {name: np.full(n, np.nan) for name in PLACES}

    def utc(self, epoch: Time) -> list[str]:
        """Return the begin of the exposures in ISO 8601, empty where not known."""
        return [
            iso_utc(epoch + TimeDelta(t, format="sec")) if np.isfinite(t) else ""
            for t in self.since_greatest_s
        ]

    def fill_in(
        self,
        body: Body,
        solution: ClockSolution | None,
        discs: Discs | None,
        claimed_hours: float | None,
        totality_s: tuple[float, float] | None = None,
    ) -> list[str]:
        """Fill in one body's frames, by its solution or by the zone claimed; return warnings."""
        warnings: list[str] = []
        if solution is not None:
            warnings += self.by_solution(body, solution, discs, totality_s)
        elif equal := equal_readings(self.readings, body.rows):
            warnings.append(
                f"The clock stood still: {equal} of {body.rows.size} frames have the same time, "
                "so it is not known when they were taken."
            )
        elif claimed_hours is not None:
            self.by_claim(body, claimed_hours)
        far = self.forget_far(body)
        return [*warnings, far] if far else warnings

    def by_solution(
        self,
        body: Body,
        solution: ClockSolution,
        discs: Discs | None,
        totality_s: tuple[float, float] | None,
    ) -> list[str]:
        """Fill in one body's frames by its clock's solution; return warnings."""
        rows = body.rows
        crescents = np.zeros(0, np.int64) if discs is None else discs.rows
        t, sigma, warnings = frame_times(solution, body, self.readings, crescents, totality_s)
        self.since_greatest_s[rows], self.sigma_s[rows] = t, sigma
        if discs is not None:
            self.residual_s[discs.rows] = np.where(solution.used, solution.residual_s, np.nan)
            if solution.roll_deg is not None:
                self.roll_deg[discs.rows] = solution.roll_deg
            for name in PLACES:
                self.place[name][discs.rows] = getattr(discs, name)
        return warnings

    def piece_at_epoch(self, body: Body, solution: ClockSolution | None) -> int:
        """Return how many settings of a body's clock came before the epoch."""
        if solution is None:
            return 0
        return piece_at_epoch(solution, body, self.readings, self.since_greatest_s[body.rows])

    def open_at_epoch(self, body: Body, solution: ClockSolution | None) -> float:
        """Return the error at the epoch that is left by not knowing when the clock was set, s."""
        if solution is None or not solution.runs:
            return 0.0
        t, sigma = self.since_greatest_s[body.rows], self.sigma_s[body.rows]
        return open_at_epoch(solution, body, self.readings, t, sigma)

    def by_claim(self, body: Body, zone_hours: float) -> None:
        """Fill in one body's frames by the zone claimed: no sigma, since nothing checks it."""
        self.since_greatest_s[body.rows] = self.readings.reading_s[body.rows] - zone_hours * 3600.0

    def forget_far(self, body: Body) -> str:
        """Forget times that no digital camera can have taken; return a sentence, or nothing."""
        far = body.rows[~(np.abs(self.since_greatest_s[body.rows]) < KNOWN_YEARS * YEAR_S)]
        far = far[np.isfinite(self.since_greatest_s[far])]
        if not far.size:
            return ""
        self.since_greatest_s[far] = self.sigma_s[far] = np.nan
        return (
            f"{far.size} frames ({self.readings.file[far[0]]} for one) are dated more than "
            f"{KNOWN_YEARS} years from the eclipse, so their time is not known; where the "
            "tag is wrong, name the frames under timing.references in the config."
        )
