"""Entries of clock.json and pointing.json, with what a person should be told."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from astropy.time import Time
from numpy.typing import NDArray

from limbward.clock.readings import Body, Readings, Reference, far_instants, matches
from limbward.clock.solution import ClockSolution, split_zone
from limbward.geometry.lens import Growth
from limbward.limb.partial import Discs
from limbward.sky.circumstances import iso_utc
from limbward.sky.track import SkyTrack


def zone_claimed(tags_hours: NDArray[np.float64], stated_hours: float | None) -> float | None:
    """Return the zone that a person states, or else the frames' tags (NaN where there is none)."""
    if stated_hours is not None:
        return stated_hours
    tags = tags_hours[np.isfinite(tags_hours)]
    return float(np.median(tags)) if tags.size else None


def describe_body(
    references: Sequence[Reference],
    body: Body,
    readings: Readings,
    solution: ClockSolution | None,
    discs: Discs | None,
    claimed: float | None,
    measured: int,
    epoch: Time,
    piece: int = 0,
    open_s: float = 0.0,
) -> dict[str, Any]:
    """Return a body's entry in clock.json with its evidence.

    Parameters
    ----------
    references : sequence of Reference
    body : Body
    readings : Readings
    solution : ClockSolution or None
    discs : Discs or None
        Those that the solution rests on.
    claimed, measured, epoch, piece, open_s
        As for `describe_clock`.
    """
    entry = describe_clock(body, solution, claimed, measured, epoch, piece, open_s)
    entry["lunar_limb"] = _describe_limb(solution)
    entry |= describe_evidence(references, body, solution, discs, readings)
    entry["warnings"] += far_instants(references, body, readings, epoch.utc.to_datetime())
    return entry


def describe_clock(
    body: Body,
    solution: ClockSolution | None,
    claimed: float | None,
    measured: int,
    epoch: Time,
    piece: int = 0,
    open_s: float = 0.0,
) -> dict[str, Any]:
    """Return a body's entry in clock.json.

    Parameters
    ----------
    body : Body
    solution : ClockSolution or None
    claimed : float or None
        Zone that the frames or the config claim, hours.
    measured : int
        Crescents measured.
    epoch : Time
    piece : int
        How many of the solution's steps came before the epoch.
    open_s : float
        Error at the epoch that is left by not knowing when the clock was set, seconds.
    """
    entry: dict[str, Any] = {
        "camera": body.camera,
        "serial": body.serial,
        "utc_offset_hours": claimed,
        "offset_s": None,
        "offset_sigma_s": None,
        "drift_s_per_hour": None,
        "drift_sigma_s_per_hour": None,
        "epoch_utc": iso_utc(epoch),
        "frames_used": 0,
        "residual_rms_s": None,
        "sources": [],
        "warnings": [],
    }
    unused = solution is None or "crescents" not in solution.sources
    if unused and measured >= 3:
        entry["warnings"].append(
            f"{measured} crescents were measured, but they fit no time of this eclipse at this "
            "site: check the date, and the signs and digits of latitude and longitude."
        )
    elif unused and measured:
        entry["warnings"].append(
            f"{measured} crescents were measured; at least three are needed to solve for a clock."
        )
    if solution is None:
        if not entry["warnings"]:
            entry["warnings"].append(
                "Nothing in this camera's frames gives the true time (no measured crescent, GPS "
                "tag, reference shot or totality), so its clock could not be checked."
            )
        return entry
    warnings = entry["warnings"] + list(solution.warnings)
    if not solution.runs:
        used = int(solution.used.sum())
        return entry | {"frames_used": used, "sources": [*solution.sources], "warnings": warnings}
    days, hours, rest = split_zone(solution.offset_of(piece), claimed)
    sigma = float(np.hypot(np.sqrt(solution.covariance_of(piece)[0, 0]), open_s))
    warnings += wrong_zone(days, hours, claimed)
    entry |= {
        "utc_offset_hours": hours,
        "offset_s": round(days * 86400.0 + rest, 4),
        "offset_sigma_s": round(sigma, 4),
        "drift_s_per_hour": round(solution.drift_s_per_hour, 4),
        "drift_sigma_s_per_hour": round(solution.drift_sigma_s_per_hour, 4),
        "frames_used": int(solution.used.sum()) if solution.used.size else int(body.rows.size),
        "residual_rms_s": known(solution.residual_rms_s),
        "sources": list(solution.sources),
        "warnings": warnings,
    }
    return entry


def _describe_limb(solution: ClockSolution | None) -> dict[str, Any] | None:
    """Return what is made of the Moon's true limb; None where it plays no part."""
    limb = None if solution is None else solution.limb
    if limb is None:
        return None
    return {
        "decision": limb.decision,
        "used": limb.used,
        "amplitude": known(limb.amplitude, 3),
        "amplitude_sigma": known(limb.sigma, 3),
        "frames": limb.frames,
        "pull_arcsec": known(limb.pull_arcsec, 3),
        "said": limb.sentence(),
    }


def wrong_zone(days: int, hours: float, claimed: float | None) -> list[str]:
    """Return what is wrong with a clock's date and zone."""
    said = []
    # 12 hours from the claimed zone the nearest zone may be one of the day before or after.
    half = claimed is not None and abs(24.0 * days + hours - claimed) == 12.0
    if days and not half:
        counted_days = "1 day" if abs(days) == 1 else f"{abs(days)} days"
        way = "ahead" if days > 0 else "behind"
        # Nothing tells a zone 12 hours away from this one on the day before or after.
        dial = claimed is None and abs(days) == 1 and -12.0 <= hours + 12.0 * days <= 14.0
        other = f", or its clock 12 hours {way} (a.m. for p.m.)" if dial else ""
        said.append(
            f"The camera's date is {counted_days} {way}{other}; times are corrected. Set the date "
            "before the next session."
        )
    if half or (claimed is not None and abs(hours - claimed) == 12.0):
        said.append(
            "The clock is 12 hours off (a.m. for p.m.); times are corrected. Set it before "
            "the next session."
        )
    elif claimed is not None and hours != claimed:
        said.append(
            f"The camera claims to be set to UTC{claimed:+g} h, but its pictures say "
            f"UTC{hours:+g} h (another zone, or daylight saving); the pictures are trusted."
        )
    return said


def describe_evidence(
    references: Sequence[Reference],
    body: Body,
    solution: ClockSolution | None,
    discs: Discs | None,
    readings: Readings,
) -> dict[str, Any]:
    """Return what each kind of evidence amounts to, and which frames disagree."""
    phase = readings.phase[body.rows]
    files = readings.file
    gps = int(np.sum(readings.gps_utc[body.rows] != ""))
    named = [r for r in references if any(matches(f, r) for f in files[body.rows])]
    used = 0 if solution is None else int(solution.used.sum())
    evidence = [
        {
            "source": "crescents",
            "frames": int(np.sum(phase == "partial")),
            "used": used,
            "scatter_s": None if solution is None else known(solution.residual_rms_s),
        },
        {"source": "GPS tags", "frames": gps, "used": gps},
        {"source": "reference shots", "frames": len(named), "used": len(named)},
        {
            "source": "totality seen",
            "frames": int(np.sum(np.isin(phase, ("totality", "contact")))),
            "used": int(np.sum(np.isin(phase, ("totality", "contact"))))
            if solution is not None and "totality" in solution.sources
            else 0,
        },
    ]
    disagreeing = []
    if solution is not None and discs is not None:
        for i in np.flatnonzero(~solution.used):
            why = (
                "its limbs disagree with the clock solution"
                if solution.inside[i]
                else "taken hours from the eclipse by the clock solution, or the Moon's bite is "
                "too small to measure"
            )
            by = known(solution.residual_s[i], 1)
            disagreeing.append({"file": files[discs.rows[i]], "by_s": by, "why": why})
    steps = []
    for step in solution.steps if solution is not None else ():
        at = readings.order
        steps.append(
            {
                "seconds": round(step.seconds, 3),
                "sigma_s": round(step.sigma_s, 3),
                "after_file": str(files[at == step.after][0]),
                "before_file": str(files[at == step.before][0]),
            }
        )
    first = steps[0] if steps else None
    return {"evidence": evidence, "disagreeing": disagreeing, "step": first, "steps": steps}


def describe_pointing(body: Body, solution: ClockSolution, track: SkyTrack) -> dict[str, Any]:
    """Return a body's entry in pointing.json."""
    orientation = solution.orientation
    assert orientation is not None
    turning = track.leaning(*solution.lean_deg)
    turn = np.diff(turning.parallactic_angle(np.array([-1800.0, 1800.0])))[0]
    told: dict[str, Any] = {
        "camera": body.camera,
        "serial": body.serial,
        "pixel_scale_arcsec": round(orientation.pixel_scale_arcsec, 6),
        "pixel_scale_sigma": round(solution.scale_sigma_arcsec, 7),
        "up_position_angle": round(orientation.up_position_angle, 5),
        "up_position_angle_sigma": round(solution.up_sigma_deg, 5),
        "mirrored": orientation.mirrored,
        "source": _oriented_by(solution.sources),
        "field_rotation_deg_per_hour": round(float(turn), 4) if solution.rotates else 0.0,
    }
    if solution.rotates and any(solution.lean_deg):
        told["head_lean_deg"] = [round(d, 3) for d in solution.lean_deg]
    return told | growth_told(solution.growth)


def growth_told(growth: Growth) -> dict[str, Any]:
    """Return what pointing.json says of a lens's distortion; nothing where nothing tells it."""
    if not np.isfinite(growth.sigma):
        return {}
    return {
        "distortion": round(growth.value if growth.shows else 0.0, 6),
        "distortion_sigma": round(growth.sigma, 6),
        "distortion_source": growth.source,
    }


def _oriented_by(sources: Sequence[str]) -> str:
    """Return which of a clock's sources told the orientation."""
    return next((s for s in ("corona", "crescents") if s in sources), "beads")


def excess_told(excess: tuple[float, float] | None) -> dict[str, Any]:
    """Return what pointing.json says of it; nothing of bodies that see white light."""
    if excess is None:
        return {}
    value, sigma = excess
    return {"sun_radius_excess": round(value, 6), "sun_radius_excess_sigma": round(sigma, 6)}


def known(value: float, digits: int = 4) -> float | None:
    """Return a rounded value, or None for NaN, which JSON does not have."""
    return round(float(value), digits) if np.isfinite(value) else None
