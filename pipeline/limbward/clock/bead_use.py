"""Beads beside whatever else tells a camera's clock."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.clock.bead_choice import Rims
from limbward.clock.bead_light import Edges
from limbward.clock.beads import Beads, date_by_beads
from limbward.clock.body import KnownLimb
from limbward.clock.crescent_model import DRIFT_PRIOR
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.clock.standing import equal_readings
from limbward.geometry.orientation import Orientation
from limbward.sky.circumstances import iso_utc
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

DISAGREE_SIGMA = 4.0
UNKNOWN_S = 86400.0
EVIDENCE = ("source", "frames", "used", "scatter_s")
SCALE_ERROR = 2e-3  # of the Moon's size in pixels, as measured


def site_variance(track: SkyTrack, doubt: Doubt) -> float:
    """Return the variance, s**2, that errors of site and air give to any date by the Moon's place.

    Notes
    -----
    What is off along the Moon's path is time. What is off across it makes one contact earlier and
    the other later, as the Sun's radius does, which is allowed for.
    """
    t = np.array([-1.0, 1.0])
    velocity = np.diff(track.offset_arcsec(t), axis=0)[0] / 2.0
    seconds = velocity @ doubt.shift_arcsec(np.zeros(1))[0] / (velocity @ velocity)
    return float(np.sum((seconds * [doubt.site_km, doubt.site_km, doubt.air]) ** 2))


def with_beads(
    solution: ClockSolution, beads: Beads, track: SkyTrack, doubt: Doubt, moon_px: Floats
) -> tuple[ClockSolution, Beads]:
    """Return a clock's solution with what beads tell, and the beads with whether they were used.

    Parameters
    ----------
    solution : ClockSolution
    beads : Beads
    track : SkyTrack
    doubt : Doubt
    moon_px : ndarray, shape (K,)
        The Moon's radius as measured in frames near the contacts, pixels.

    Notes
    -----
    Errors of the site shift crescents and beads by the same time: they are taken out of both before
    the two are weighed against each other, and added again.
    """
    if beads.why_not:
        return solution, beads
    common = site_variance(track, doubt)
    if set(solution.sources) <= {"totality"}:
        covariance = np.diag([beads.sigma_s**2 + common, DRIFT_PRIOR**2])
        alone = ClockSolution(beads.offset_s, 0.0, covariance, ("beads", *solution.sources))
        return _turned(alone, beads, track, moon_px), beads
    shared = common if "crescents" in solution.sources else 0.0
    before = solution.covariance.copy()
    # What is left of the offset's variance: never so little that it and the drift contradict.
    least = max(0.05 * before[0, 0], 1.02 * before[0, 1] ** 2 / before[1, 1])
    before[0, 0] = max(before[0, 0] - shared, least)
    put_back = solution.covariance[0, 0] - before[0, 0]
    row = np.array([1.0, beads.hours])
    variance = beads.sigma_s**2 + common - shared
    expected = row @ before @ row + variance
    miss = beads.offset_s - (solution.offset_s + beads.hours * solution.drift_s_per_hour)
    if abs(miss) > DISAGREE_SIGMA * np.sqrt(expected):
        why = (
            f"by them the clock reads {abs(miss):.2f} s {'more' if miss > 0 else 'less'} than by "
            "all else, which is kept; check site and references in the config"
        )
        return solution, replace(beads, why_not=why)
    gain = before @ row / expected
    after = before - np.outer(gain, row @ before)
    after[0, 0] += put_back
    both = replace(
        solution,
        offset_s=solution.offset_s + float(gain[0]) * miss,
        drift_s_per_hour=solution.drift_s_per_hour + float(gain[1]) * miss,
        covariance=after,
        sources=(*solution.sources, "beads"),
    )
    return _turned(both, beads, track, moon_px), beads


def _turned(
    solution: ClockSolution, beads: Beads, track: SkyTrack, moon_px: Floats
) -> ClockSolution:
    """Return a solution that knows how the camera was turned, by its beads if by nothing else."""
    if solution.orientation is not None:
        return solution
    scale = float(track.moon_radius_arcsec(np.zeros(1))[0] / np.median(moon_px))
    warning = (
        "No partial phase was measured, so the camera's orientation follows from its beads "
        f"({beads.up_sigma_deg:.1f} degrees) and its scale from the Moon's size. Photograph "
        "partial phases to know both better."
    )
    return replace(
        solution,
        orientation=Orientation(scale, beads.up_deg, beads.mirrored),
        scale_sigma_arcsec=SCALE_ERROR * scale,
        up_sigma_deg=beads.up_sigma_deg,
        rotates=beads.rotates,
        warnings=(*solution.warnings, warning),
    )


def nothing_known(body: Body, readings: Readings) -> ClockSolution:
    """Return the clock of a camera of which nothing tells but what beads it may show."""
    known = readings.reading_s[body.rows]
    known = known[np.isfinite(known)]
    middle = float(np.median(known)) if known.size else float("nan")
    return ClockSolution(middle, 0.0, np.diag([UNKNOWN_S**2, DRIFT_PRIOR**2]), ())


def add_beads(
    clock: dict[str, Any],
    beads: Beads | None,
    solution: ClockSolution | None,
    readings: Readings,
    epoch: Time,
) -> None:
    """Add what beads tell to a camera's entry in clock.json: ``beads``, and a row of evidence."""
    if beads is None:
        return
    told = describe_beads(beads, solution, readings, epoch)
    clock["beads"] = told
    clock["evidence"].append({key: told[key] for key in EVIDENCE})


def describe_beads(
    beads: Beads, solution: ClockSolution | None, readings: Readings, epoch: Time
) -> dict[str, Any]:
    """Return what beads tell as the entry ``beads`` of a camera in clock.json.

    Parameters
    ----------
    beads : Beads
    solution : ClockSolution or None
        The clock in the end.
    readings : Readings
    epoch : Time
    """
    used = not beads.why_not
    frames = []
    at = readings.reading_s[beads.rows], readings.resolution_s[beads.rows]
    # Without a solution nothing was dated, and the list is empty.
    clock = np.zeros(beads.rows.size) if solution is None else solution.since_greatest_s(*at)
    for row, by_clock, own, sigma in zip(
        beads.rows, clock, beads.own_s, beads.own_sigma_s, strict=False
    ):
        dated = bool(np.isfinite(own))
        frames.append(
            {
                "file": str(readings.file[row]),
                "utc": iso_utc(epoch + TimeDelta(own, format="sec")) if dated else None,
                "sigma_s": round(float(sigma), 3) if dated else None,
                # As of crescents: positive where the clock read late.
                "residual_s": round(float(by_clock - own), 3) if dated else None,
            }
        )
    left = np.array([f["residual_s"] for f in frames if f["residual_s"] is not None], float)
    scatter = round(float(np.sqrt(np.mean(left**2))), 4) if left.size else None
    return {
        "source": "beads",
        "frames": int(beads.rows.size),
        "used": int(beads.rows.size) if used else 0,
        "scatter_s": scatter,
        "why_not": beads.why_not or None,
        "sigma_s": round(beads.sigma_s, 4) if used else None,
        "log_likelihood_over_other_limbs": (
            round(beads.better, 1) if np.isfinite(beads.better) else None
        ),
        "dated": frames,
    }


def clock_by_beads(
    track: SkyTrack,
    doubt: Doubt,
    body: Body,
    readings: Readings,
    solution: ClockSolution | None,
    limb: KnownLimb | None,
    totality_s: tuple[float, float] | None,
    rims: Rims,
    *,
    rotates: bool | None,
    iso: Floats,
    moon_radius_px: Floats,
    beside_px: Floats | None = None,
) -> tuple[ClockSolution | None, Beads | None]:
    """Return a camera's clock with what its beads tell, and what they tell; None without any.

    Where crescents have shown that the Moon of the pictures has another limb, so have its beads.

    Parameters
    ----------
    track : SkyTrack
    doubt : Doubt
    body : Body
    readings : Readings
        Of all N frames.
    solution : ClockSolution or None
        What crescents and contacts tell.
    limb : KnownLimb or None
    totality_s : tuple of float or None
        When the photosphere vanishes and returns, seconds from the epoch.
    rims : callable
        Takes a row, returns the light around the Moon's limb or None.
    rotates : bool or None
        Whether the field turns with the zenith; None tries both.
    iso, moon_radius_px : ndarray, shape (N,)
        The latter as measured.
    beside_px : ndarray, shape (N, 2), optional
        From the middle of each frame to the Moon.
    """
    verdict = None if solution is None else solution.limb
    another = verdict is not None and not verdict.used
    stands_still = equal_readings(readings, body.rows) > 0
    if limb is None or another or totality_s is None or stands_still:
        return solution, None
    profile = limb.at(0.0)  # the Moon turns by 0.02 degrees from there to a contact
    edges = Edges(track, profile.position_angle, profile.height_arcsec, limb.sun_size)
    before = solution or nothing_known(body, readings)
    beads = date_by_beads(edges, body, readings, rims, before, totality_s, rotates, iso, beside_px)
    if beads is None or (beads.why_not and solution is None):
        return solution, beads
    # Glare at one side makes the Moon too small by a few parts in a thousand.
    dark = beads.rows[readings.phase[beads.rows] == "totality"]
    moon_px = moon_radius_px[dark if dark.size else beads.rows]
    return with_beads(before, beads, track, doubt, moon_px)
