"""The clock of one camera body, from the discs of its frames and all else that tells the time."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Crescents, Direct
from limbward.clock.readings import Body, Readings, totality_evidence
from limbward.clock.solution import ClockSolution
from limbward.clock.solve import solve_clock
from limbward.clock.standing import equal_readings, standing_clock
from limbward.geometry.orientation import Orientation
from limbward.limb.compare import Crops, compare
from limbward.limb.orient import orientation_by_corona
from limbward.limb.partial import Discs, Limbs, measure_again
from limbward.limb.relief import Aim, LimbAt, Moons, judged, moons_of, pulls, sun_size
from limbward.limb.session import Session
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

# Without its limb the Moon's centre is off by this much on the average of a session: 1 arcsec
# of relief over a limb of which a dozen mountains count (0.2 s of time; found on simulated cards
# with a relief of 0.8 arcsec).
RELIEF_ARCSEC = 0.06
# With it: the grid's own smoothing, a tenth of an arcsecond over a hundred places.
RELIEF_LEFT_ARCSEC = 0.012


@dataclass(frozen=True)
class KnownLimb:
    """The Moon's limb, by seconds from the epoch.

    ``given`` tells that a person says so: then it is believed. ``sun_size`` is the Sun's radius
    over the track's that goes with it, before filters.
    """

    at: LimbAt
    given: bool = False
    sun_size: float = 1.0


def solve_body(
    track: SkyTrack,
    body: Body,
    readings: Readings,
    discs: Discs,
    limbs: Limbs,
    *,
    direct: Direct | None = None,
    totality_s: tuple[float, float] | None = None,
    rotates: bool | None = None,
    limb: KnownLimb | None = None,
    doubt: Doubt | None = None,
) -> tuple[ClockSolution | None, Discs | None]:
    """Solve one body's clock; return it and its partial frames' discs, measured anew.

    Parameters
    ----------
    track : SkyTrack
    body : Body
    readings : Readings
        Of all frames that ``body.rows`` and ``discs.rows`` count in.
    discs : Discs
        Sun and Moon in the body's partial frames.
    limbs : callable
        Takes a row, returns the edge points of the Sun's limb and of the Moon's.
    direct : Direct, optional
        GPS tags and reference shots.
    totality_s : tuple of float, optional
        When the photosphere vanishes and returns, seconds from the epoch.
    rotates : bool or None
        Whether the field turns with the zenith; None tries both.
    limb : KnownLimb, optional
        The Moon's, which the pictures may contradict; without it, it is smooth.
    doubt : Doubt, optional
        What is not known of site and air.

    Returns
    -------
    solution : ClockSolution or None
        None if nothing tells the time.
    discs : Discs or None
        None where the orientation, by which they would be measured anew, is not known.
    """
    covered = None if totality_s is None else totality_evidence(totality_s, body, readings)

    equal = equal_readings(readings, body.rows)

    def solve(discs: Discs, relief_arcsec: float) -> ClockSolution | None:
        if equal:
            return _standing(track, discs, readings, doubt, rotates, equal, body)
        return solve_clock(
            track,
            crescents=crescents_of(discs, readings),
            direct=direct,
            covered=covered,
            rotates=rotates,
            relief_arcsec=relief_arcsec,
            doubt=doubt,
        )

    def again(
        discs: Discs, solution: ClockSolution, limb_at: LimbAt | None = None, size: float = 1.0
    ) -> Discs:
        aim = _aim(track, solution, readings, discs)
        return measure_again(
            track, discs, limbs, aim.t, aim.orientation,
            rotates=aim.rotates, limb_at=limb_at, sun_size=size,
        )  # fmt: skip

    solution = solve(discs, RELIEF_ARCSEC)
    # The first solution tells each frame's time well enough (seconds) to know the ratio of the
    # discs and how refraction flattens them; what is left after two rounds is under 1 ms.
    for _ in range(2):
        if solution is None or solution.orientation is None:
            return solution, None
        discs = again(discs, solution)
        solution = solve(discs, RELIEF_ARCSEC)
    if limb is None or solution is None or solution.orientation is None:
        return solution, discs
    smooth = solution, discs
    aim = _aim(track, solution, readings, discs)
    verdict = judged(moons_of(discs), limbs, aim, limb.at)
    if limb.given:
        verdict = replace(verdict, decision="given")
    if not verdict.used:
        return replace(solution, limb=verdict), discs
    for _ in range(2):
        size = sun_size(
            discs, limbs, _aim(track, solution, readings, discs), limb.at, limb.sun_size
        )
        discs = again(discs, solution, limb.at, size)
        verdict = replace(verdict, pull_arcsec=_pull(smooth[1], discs, aim.orientation))
        left = RELIEF_LEFT_ARCSEC
        if verdict.decision == "undetermined":
            left = max(RELIEF_ARCSEC, verdict.pull_arcsec)
        # The Moon is the measure of the plate scale: its size is known without a filter's doing.
        solution = solve(replace(discs, sun_radius=discs.sun_radius / size), left)
        if solution is None or solution.orientation is None:
            return smooth
    return replace(solution, limb=verdict), discs


def pulled_moons(
    track: SkyTrack,
    solution: ClockSolution,
    moons: Moons,
    limbs: Limbs,
    limb: KnownLimb,
    t: Floats,
) -> tuple[ClockSolution, Floats]:
    """Return what the Moon's limb adds to its circles in totality, and the solution with a verdict.

    Parameters
    ----------
    track : SkyTrack
    solution : ClockSolution
        With an orientation.
    moons : Moons
        In N frames.
    limbs : callable
        Takes a row, returns the edge points of the Sun's limb and of the Moon's.
    limb : KnownLimb
    t : ndarray, shape (N,)
        Middle of each exposure, seconds from the epoch.

    Returns
    -------
    ClockSolution
        Where no crescent has told, totality says whether the limb is the real one.
    ndarray, shape (N, 3)
        Of x, y and radius, pixels; NaN where the limb is not used.
    """
    assert solution.orientation is not None
    aim = Aim(track, solution.orientation, solution.rotates, t)
    if solution.limb is None:
        verdict = judged(moons, limbs, aim, limb.at)
        if limb.given:
            verdict = replace(verdict, decision="given")
        solution = replace(solution, limb=verdict)
    assert solution.limb is not None
    if not solution.limb.used:
        return solution, np.full((moons.rows.size, 3), np.nan)
    return solution, pulls(moons, limbs, aim, limb.at)


def _aim(track: SkyTrack, solution: ClockSolution, readings: Readings, discs: Discs) -> Aim:
    """Return how the camera was turned in partial frames, by a solution with an orientation."""
    assert solution.orientation is not None
    t = middle_s(solution, readings, discs.rows) if solution.runs else np.nan_to_num(solution.own_s)
    return Aim(track, solution.orientation, solution.rotates, t)


def _pull(before: Discs, after: Discs, orientation: Orientation) -> float:
    """Return how far the Moon's centre has moved against the Sun's, rms of a coordinate, arcsec."""
    dx, dy = (
        (getattr(after, f"moon_{a}") - getattr(after, f"sun_{a}"))
        - (getattr(before, f"moon_{a}") - getattr(before, f"sun_{a}"))
        for a in "xy"
    )
    return orientation.pixel_scale_arcsec * float(np.sqrt(np.median(dx**2 + dy**2) / 2.0))


def _standing(
    track: SkyTrack,
    discs: Discs,
    readings: Readings,
    doubt: Doubt | None,
    rotates: bool | None,
    equal: int,
    body: Body,
) -> ClockSolution | None:
    """Return what crescents tell of a camera whose clock stood still."""
    said = (
        f"The clock stood still: {equal} of {body.rows.size} frames bear one and the same time. "
        "Crescents are dated by themselves; other frames only by their order and by what they "
        "show, with errors that say how well. Reference shots do not help; set the clock before "
        "the next session."
    )
    return standing_clock(track, crescents_of(discs, readings), doubt, rotates, said)


def crescents_of(discs: Discs, readings: Readings) -> Crescents:
    """Return measured discs with their clock readings."""
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
    )


def middle_s(solution: ClockSolution, readings: Readings, rows: NDArray[np.int64]) -> Floats:
    """Return the middle of frames' exposures by a clock, seconds from the epoch."""
    begun = solution.since_greatest_s(
        readings.reading_s[rows], readings.resolution_s[rows], readings.order[rows]
    )
    return np.asarray(begun + 0.5 * readings.exposure_s[rows])


def orient_by_corona(
    track: SkyTrack,
    s: Session,
    crops: Crops,
    solution: ClockSolution,
    *,
    scale_arcsec: float | None = None,
) -> ClockSolution:
    """Return the solution with the orientation that the Moon's motion on the corona shows.

    Parameters
    ----------
    track : SkyTrack
    s : Session
        Frames of totality, timed by the solution.
    crops : callable
        Takes a row, returns its `Crop` or None.
    solution : ClockSolution
    scale_arcsec : float, optional
        Arcsec a pixel, if it is known.
    """
    comparisons = compare(crops, s, s.moon_x, s.moon_y, np.zeros(s.rows.size), lambda: None)
    found = orientation_by_corona(
        s,
        track,
        comparisons,
        time_sigma_s=solution.offset_sigma_s,
        scale_arcsec=scale_arcsec,
    )
    if found is None:
        return solution
    orientation, fit = found
    warning = (
        "No partial phase was measured, so the camera's orientation follows from the Moon's motion "
        f"across the corona ({fit.up_sigma_deg:.1f} degrees); a mirrored picture (star diagonal) "
        "would not be noticed. Photograph partial phases to know both better."
    )
    return replace(
        solution,
        orientation=orientation,
        scale_sigma_arcsec=2e-3 * orientation.pixel_scale_arcsec,
        up_sigma_deg=fit.up_sigma_deg,
        sources=(*solution.sources, "corona"),
        warnings=(*solution.warnings, warning),
    )
