"""The clock of one camera body, from the discs of its frames and all else that tells the time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.body_evidence import RELIEF_ARCSEC, Evidence
from limbward.clock.evidence import Direct
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.clock.times import Times
from limbward.geometry.orientation import Orientation
from limbward.limb.compare import Crops, compare
from limbward.limb.orient import orientation_by_corona
from limbward.limb.partial import Discs, Limbs
from limbward.limb.relief import (
    Aim,
    LimbAt,
    LimbVerdict,
    Moons,
    judged,
    moons_of,
    pulls,
    sun_size,
)
from limbward.limb.session import Session
from limbward.sky.doubt import Doubt
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

# With the Moon's limb: the grid's own smoothing, a tenth of an arcsecond over a hundred places.
RELIEF_LEFT_ARCSEC = 0.012
CRESCENT_UNKNOWNS = 5  # offset, drift, scale, angle, turn
# An edge point is the mean of half a degree of limb where it is traced along a crescent, and of one
# and a half where the limb was searched along radii.
SEEN_DEG = 1.0


@dataclass(frozen=True)
class KnownLimb:
    """The Moon's limb, by seconds from the epoch.

    ``given`` tells that a person says so: then it is believed. ``sun_size`` is the Sun's radius
    over the track's that goes with it, before filters.
    """

    at: LimbAt
    given: bool = False
    sun_size: float = 1.0

    def seen(self, t: float) -> LimbProfile:
        """Return the limb at ``t`` as edge points show it."""
        return self.at(t).smoothed(SEEN_DEG)


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
    middles: Floats | None = None,
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
    middles : ndarray, shape (N, 2), optional
        The middle of each frame, x and y, pixels: where the field turns with the zenith, a Sun
        beside it shows the picture turned.

    Returns
    -------
    solution : ClockSolution or None
        None if nothing tells the time.
    discs : Discs or None
        None where the orientation, by which they would be measured anew, is not known.
    """
    told = Evidence(track, body, readings, direct, totality_s, rotates, doubt)
    told, solution = told.unrolled(discs, told.solve(discs, RELIEF_ARCSEC))
    # The first solution tells each frame's time well enough (seconds) to know the ratio of the
    # discs and how refraction flattens them; what is left after two rounds is under 1 ms.
    for _ in range(2):
        if solution is None or solution.orientation is None:
            return solution, None
        told = told.turned(discs, solution, middles)
        discs = told.measured(discs, limbs, solution)
        solution = told.solve(discs, RELIEF_ARCSEC)
    if limb is None or solution is None or solution.orientation is None:
        return solution, discs
    return _with_limb(told, solution, discs, limbs, limb)


def _with_limb(
    told: Evidence, smooth: ClockSolution, discs: Discs, limbs: Limbs, limb: KnownLimb
) -> tuple[ClockSolution, Discs]:
    """Return the solution and the discs with the Moon's limb, if the pictures have it.

    Where that is open, the error holds the difference of both, as far as the other is likely.
    """
    verdict = _verdict(moons_of(discs), limbs, told.aim(discs, smooth), limb)
    if verdict.decision == "smooth":
        return replace(smooth, limb=verdict), discs
    solution, before = smooth, discs
    left = RELIEF_ARCSEC if verdict.decision == "undetermined" else RELIEF_LEFT_ARCSEC
    for _ in range(2):
        aim = told.aim(discs, solution)
        size = sun_size(discs, limbs, aim, limb.seen, limb.sun_size)
        discs = told.measured(discs, limbs, solution, limb.seen, size)
        pull = _pull_arcsec(before, discs, aim.orientation)
        # The Moon is the measure of the plate scale: its size is known without a filter's doing.
        found = told.solve(replace(discs, sun_radius=discs.sun_radius / size), left)
        if found is None or found.orientation is None:
            return smooth, before
        solution = replace(found, limb=replace(verdict, pull_arcsec=pull))
    # Errors of crescents that are stated too small make chi-squares differ by too much.
    fewer = max(2 * int(smooth.used.sum()) - CRESCENT_UNKNOWNS, 1)
    excess = max(1.0, min(solution.cost, smooth.cost) / fewer)
    verdict = verdict.weighed((solution.cost - smooth.cost) / excess)
    assert solution.limb is not None
    solution = replace(solution, limb=replace(verdict, pull_arcsec=solution.limb.pull_arcsec))
    change = _change(smooth, solution) * np.sqrt(verdict.doubt)
    if verdict.used:
        return solution.doubted(change), discs
    return replace(smooth, limb=solution.limb).doubted(change), before


def _change(a: ClockSolution, b: ClockSolution) -> Floats:
    """Return by how much two solutions of the same crescents differ in offset and drift."""
    if a.runs and b.runs and len(a.steps) == len(b.steps):
        return np.array([b.offset_s - a.offset_s, b.drift_s_per_hour - a.drift_s_per_hour])
    moved = b.own_s - a.own_s  # a clock that stands still, or a setting in one of them alone
    return np.array([float(np.nanmedian(moved)) if np.isfinite(moved).any() else 0.0, 0.0])


def _verdict(moons: Moons, limbs: Limbs, aim: Aim, limb: KnownLimb) -> LimbVerdict:
    """Return what the pictures say of the limb, and what is made of that."""
    verdict = judged(moons, limbs, aim, limb.seen)
    return replace(verdict, decision="given", used=True, doubt=0.0) if limb.given else verdict


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
    turning = track.leaning(*solution.lean_deg)
    aim = Aim(turning, solution.orientation, solution.rotates, t)
    verdict = solution.limb or _verdict(moons, limbs, aim, limb)
    solution = replace(solution, limb=verdict)
    if not verdict.used:
        return solution, np.full((moons.rows.size, 3), np.nan)
    return solution, pulls(moons, limbs, aim, limb.seen)


def pull_totality(
    track: SkyTrack,
    times: Times,
    body: Body,
    solution: ClockSolution,
    measured: Mapping[str, Floats],
    limbs: Limbs,
    limb: KnownLimb,
) -> tuple[ClockSolution, NDArray[np.int64], Floats]:
    """Return what `pulled_moons` does of a body's frames of totality, and which rows those are.

    Parameters
    ----------
    track : SkyTrack
    times : Times
        The body's frames are dated.
    body : Body
    solution : ClockSolution
        With an orientation.
    measured : mapping of str to ndarray, shape (N,)
        Sun and Moon as measured in all frames, pixels.
    limbs, limb
        As of `pulled_moons`.
    """
    circles = np.stack([measured[f"moon_{name}"] for name in ("x", "y", "radius")], axis=1)
    middle = times.since_greatest_s + 0.5 * times.readings.exposure_s
    seen = np.isin(times.readings.phase, ("totality", "contact")) & np.isfinite(middle)
    rows = body.rows[(seen & np.isfinite(circles).all(axis=1))[body.rows]]
    rows = rows[(middle[rows] > track.first_s) & (middle[rows] < track.last_s)]
    moons = Moons(rows, circles[rows])
    solution, pull = pulled_moons(track, solution, moons, limbs, limb, middle[rows])
    return solution, rows, pull


def _pull_arcsec(before: Discs, after: Discs, orientation: Orientation) -> float:
    """Return how far the Moon's centre has moved against the Sun's, rms of a coordinate, arcsec."""
    a, b = (np.stack([d.moon_x - d.sun_x, d.moon_y - d.sun_y]) for d in (before, after))
    moved = np.sqrt(np.median(np.sum((b - a) ** 2, axis=0)) / 2.0)
    return orientation.pixel_scale_arcsec * float(moved)


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
        f"across the corona ({fit.up_sigma_deg:.1f} degrees), which says nothing of a mirrored "
        "picture (star diagonal). Stars in long exposures tell both, if there are any. Photograph "
        "partial phases to know both better."
    )
    return replace(
        solution,
        orientation=orientation,
        scale_sigma_arcsec=2e-3 * orientation.pixel_scale_arcsec,
        up_sigma_deg=fit.up_sigma_deg,
        sources=(*solution.sources, "corona"),
        warnings=(*solution.warnings, warning),
    )
