"""Every frame's time on UTC, by the clocks of all bodies."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.limb.partial import PLACES, Discs

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
    place : dict of str to ndarray
        Discs of partial frames, measured anew, pixels.
    """

    def __init__(self, readings: Readings) -> None:
        n = readings.file.size
        self.readings = readings
        self.since_greatest_s, self.sigma_s = np.full(n, np.nan), np.full(n, np.nan)
        self.residual_s = np.full(n, np.nan)
        self.place = {name: np.full(n, np.nan) for name in PLACES}

    def fill_in(
        self,
        body: Body,
        solution: ClockSolution | None,
        discs: Discs | None,
        claimed_hours: float | None,
    ) -> list[str]:
        """Fill in one body's frames, by its solution or by the zone claimed; return warnings."""
        if solution is not None:
            self.by_solution(body, solution, discs)
        elif claimed_hours is not None:
            self.by_claim(body, claimed_hours)
        far = self.forget_far(body)
        return [far] if far else []

    def by_solution(self, body: Body, solution: ClockSolution, discs: Discs | None) -> None:
        """Fill in one body's frames by its clock's solution."""
        r, rows = self.readings, body.rows
        read = r.reading_s[rows], r.resolution_s[rows]
        self.since_greatest_s[rows] = solution.since_greatest_s(*read, r.order[rows])
        self.sigma_s[rows] = solution.sigma_s(*read)
        if discs is not None:
            self.residual_s[discs.rows] = np.where(solution.used, solution.residual_s, np.nan)
            for name in PLACES:
                self.place[name][discs.rows] = getattr(discs, name)

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
