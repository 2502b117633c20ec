"""What a camera body's clock is solved from: crescents, times known otherwise, totality."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Crescents, Direct
from limbward.clock.lean import LEVEL, lean_of
from limbward.clock.readings import Body, Readings, totality_evidence
from limbward.clock.rolls import ROLL_COST, Rolls, find_rolls, refined, said, unrolled
from limbward.clock.solution import ClockSolution
from limbward.clock.solve import solve_clock
from limbward.clock.standing import equal_readings, standing_clock
from limbward.limb.partial import Discs, Limbs, measure_again
from limbward.limb.relief import Aim, LimbAt
from limbward.sky.aside import turned_aside
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

# Without its limb the Moon's centre is off by this much on the average of a session: 1 arcsec
# of relief over a limb of which a dozen mountains count (0.2 s of time; found on simulated cards
# with a relief of 0.8 arcsec).
RELIEF_ARCSEC = 0.06


@dataclass(frozen=True)
class Evidence:
    """What a body's clock is solved from but for its crescents; see `solve_body`."""

    track: SkyTrack
    body: Body
    readings: Readings
    direct: Direct | None
    totality_s: tuple[float, float] | None
    rotates: bool | None
    doubt: Doubt | None
    lean_deg: tuple[float, float] = LEVEL
    aside_deg: Floats | None = None
    rolls: Rolls | None = None

    @property
    def turning(self) -> SkyTrack:
        """The track with the zenith that the field turns with."""
        return self.track.leaning(*self.lean_deg)

    def turned(self, discs: Discs, solution: ClockSolution, middles: Floats | None) -> Evidence:
        """Return the evidence with how pictures are turned where the field turns with the zenith.

        By a Sun beside the middle of the frame, and by a head that is not level.
        """
        aim, aside = self.aim(discs, solution), None
        if middles is not None:
            x, y = discs.sun_x - middles[discs.rows, 0], discs.sun_y - middles[discs.rows, 1]
            aside = turned_aside(aim.orientation, aim.track, aim.t, x, y)
        rolls = self.rolls
        if rolls is not None:
            crescents = crescents_of(discs, self.readings, aside)
            rolls = refined(rolls, aim.track, crescents, aim.t, aim.orientation, aim.rotates)
        told = replace(self, aside_deg=aside, rolls=rolls)
        lean = lean_of(self.track, told.crescents(discs), self.doubt, self.rotates, RELIEF_ARCSEC)
        return replace(told, lean_deg=lean)

    def unrolled(
        self, discs: Discs, solution: ClockSolution | None
    ) -> tuple[Evidence, ClockSolution | None]:
        """Return the evidence and the solution with rolls of the camera, if they fit better."""
        rolls = find_rolls(self.track, crescents_of(discs, self.readings), self.rotates)
        if rolls is None:
            return self, solution
        told = replace(self, rolls=rolls)
        found = told.solve(discs, RELIEF_ARCSEC)
        if found is None or found.orientation is None:
            return self, solution
        # A clock that stood still has no cost, and its crescents no rolls.
        if solution is not None and not found.cost + ROLL_COST * rolls.count < solution.cost:
            return self, solution
        return told, found

    def crescents(self, discs: Discs) -> Crescents:
        """Return the crescents as the camera would show them had it not been rolled."""
        seen = crescents_of(discs, self.readings, self.aside_deg)
        roll = self.roll_deg(discs)
        if self.rolls is None or roll is None:
            return seen
        return unrolled(seen, roll, self.rolls.mirrored)

    def roll_deg(self, discs: Discs) -> Floats | None:
        """Return how each crescent is rolled beside totality; None if the camera was not."""
        return None if self.rolls is None else self.rolls.roll_deg(self._held(discs)[0])

    def _held(self, discs: Discs) -> tuple[int, float]:
        assert self.rolls is not None
        rows, order = self.body.rows, self.readings.order
        inside = order[rows[self.readings.phase[rows] == "totality"]]
        return self.rolls.held(order[discs.rows], inside)

    def solve(self, discs: Discs, relief_arcsec: float) -> ClockSolution | None:
        """Return the solution with some discs, and what mountains may move them by."""
        crescents = self.crescents(discs)
        equal = equal_readings(self.readings, self.body.rows)
        if equal:
            stood = _stood_still(equal, self.body.rows.size)
            return standing_clock(self.track, crescents, self.doubt, self.rotates, stood)
        covered = None
        if self.totality_s is not None:
            covered = totality_evidence(self.totality_s, self.body, self.readings)
        solution = solve_clock(
            self.turning,
            crescents=crescents,
            direct=self.direct,
            covered=covered,
            rotates=self.rotates,
            relief_arcsec=relief_arcsec,
            doubt=self.doubt,
        )
        if solution is None:
            return None
        solution = replace(solution, lean_deg=self.lean_deg)
        if self.rolls is None:
            return solution
        part, open_deg = self._held(discs)
        doubt = np.hypot(open_deg, self.rolls.error_deg(part))
        return replace(
            solution,
            roll_deg=self.roll_deg(discs),
            up_sigma_deg=float(np.hypot(solution.up_sigma_deg, doubt)),
            warnings=(*solution.warnings, said(self.rolls, open_deg)),
        )

    def aim(self, discs: Discs, solution: ClockSolution) -> Aim:
        """Return how the camera was turned in partial frames."""
        assert solution.orientation is not None
        rows = discs.rows
        t = middle_s(solution, self.readings, rows) if solution.runs else solution.own_s
        # A frame hours away by its clock is measured as at the end of the eclipse.
        t = np.clip(np.nan_to_num(t), self.track.first_s, self.track.last_s)
        roll = self.roll_deg(discs)
        return Aim(self.turning, solution.orientation, solution.rotates, t, self.aside_deg, roll)

    def measured(
        self,
        discs: Discs,
        limbs: Limbs,
        solution: ClockSolution,
        limb_at: LimbAt | None = None,
        size: float = 1.0,
    ) -> Discs:
        """Return the discs, measured anew."""
        aim = self.aim(discs, solution)
        return measure_again(
            aim.track, discs, limbs, aim.t, aim.orientation,
            rotates=aim.rotates, aside_deg=aim.aside_deg, roll_deg=aim.roll_deg,
            limb_at=limb_at, sun_size=size,
        )  # fmt: skip


def crescents_of(discs: Discs, readings: Readings, turn_deg: Floats | None = None) -> Crescents:
    """Return measured discs with their clock readings, and how pictures are turned aside."""
    at = discs.rows
    return Crescents(
        readings.reading_s[at],
        readings.resolution_s[at],
        readings.exposure_s[at],
        discs.moon_x - discs.sun_x,
        discs.moon_y - discs.sun_y,
        discs.sigma,
        discs.sun_radius,
        discs.sun_sigma,
        readings.order[at],
        np.zeros(0) if turn_deg is None else turn_deg,
    )


def middle_s(solution: ClockSolution, readings: Readings, rows: NDArray[np.int64]) -> Floats:
    """Return the middle of frames' exposures by a clock, seconds from the epoch."""
    begun = solution.since_greatest_s(
        readings.reading_s[rows], readings.resolution_s[rows], readings.order[rows]
    )
    return np.asarray(begun + 0.5 * readings.exposure_s[rows])


def _stood_still(equal: int, frames: int) -> str:
    return (
        f"The clock stood still: {equal} of {frames} frames have the same time. Crescents "
        "are dated by what they show; other frames only by their order and their phase, with "
        "larger errors. Reference shots do not help; set the clock before the next session."
    )
