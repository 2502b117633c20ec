"""Timing: what each camera's clock did, and every frame's time on UTC."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.camera.clock import ClockSolution, solve_clock, split_zone
from limbward.camera.evidence import Covered, Crescents, Direct
from limbward.camera.sidecar import sidecar_name, sidecar_xml
from limbward.config import Config
from limbward.limb.refit import refit
from limbward.progress import Reporter
from limbward.sky.contacts import iso_utc
from limbward.sky.track import SkyTrack
from limbward.stages import setting
from limbward.stages.columns import flags, floats, masked_floats, masked_texts, texts
from limbward.stages.stage import Stage
from limbward.workspace import Workspace, write_text

Floats = NDArray[np.float64]

GPS_SIGMA_S = 0.1  # beyond the stamp's step: what passes between the fix and the shutter
SIDECARS = "sidecars/"
SIGMA_FLOOR_PX = 0.01  # no limb is measured better, whatever its scatter says
PLACES = ("sun_x", "sun_y", "sun_radius", "sun_sigma", "moon_x", "moon_y", "moon_radius")
CONTACT_S = 20.0  # unfiltered frames this near to C2 or C3 show beads and the diamond ring


@dataclass(frozen=True)
class Body:
    """One camera body and the rows of its frames."""

    camera: str
    serial: str
    rows: NDArray[np.int64]


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Solve for every camera's clock and write clock.json, pointing.json and the times."""
    frames = workspace.read_table(Workspace.table("ingest"))
    circumstances = setting.eclipse(config)
    epoch = setting.greatest(circumstances)
    totality = setting.covered(config, circumstances)
    track = setting.track(config, epoch)
    reading = readings(frames, epoch)

    utc, sigma = np.full(len(frames), np.nan), np.full(len(frames), np.nan)
    residual = np.full(len(frames), np.nan)
    place = {name: np.full(len(frames), np.nan) for name in PLACES}
    clocks, pointings = [], []
    cameras = bodies(frames)
    with reporter.progress(len(cameras), "cameras") as advance:
        for body in cameras:
            solution, discs = solve_body(config, workspace, totality, track, frames, body, reading)
            clock = describe_clock(config, body, solution, frames, epoch)
            clocks.append(clock)
            if solution is not None:
                rows = body.rows
                utc[rows] = solution.utc_s(
                    reading[rows], resolution(frames)[rows], order(frames)[rows]
                )
                sigma[rows] = solution.sigma_s(reading[rows], resolution(frames)[rows])
                if discs is not None:
                    residual[discs.rows] = solution.residual_s
                    for name in PLACES:
                        place[name][discs.rows] = getattr(discs, name)
                if solution.orientation is not None:
                    pointings.append(describe_pointing(body, solution, track))
            elif clock["utc_offset_hours"] is not None:
                # Only the claim of the tag or the config: no sigma, since nothing checks it.
                utc[body.rows] = reading[body.rows] - clock["utc_offset_hours"] * 3600.0
            for warning in clock["warnings"]:
                reporter.warn(f"{body.camera} {body.serial}: {warning}".strip())
            advance()

    table = Table()
    table["file"] = frames["file"]
    table["time_utc"] = masked_texts(
        [iso_utc(epoch + TimeDelta(t, format="sec")) if np.isfinite(t) else "" for t in utc]
    )
    table["time_utc_sigma"] = masked_floats(sigma, u.s)
    table["utc_s"] = masked_floats(utc, u.s)
    table["phase"] = masked_texts(phases(frames, totality, epoch, utc, sigma))
    for name, values in place.items():
        table[name] = masked_floats(values, u.pix)
    table["clock_residual_s"] = masked_floats(residual, u.s)
    workspace.write_table(Workspace.table("timing"), table)
    if config.timing.sidecars:
        write_sidecars(workspace, table)
    workspace.write_json(Workspace.clock, {"cameras": clocks})
    workspace.write_json(Workspace.pointing, {"cameras": pointings})


def bodies(frames: Table) -> list[Body]:
    """Return the camera bodies that took frames whose clock was read, in order of their names."""
    camera, serial = texts(frames, "camera"), texts(frames, "serial")
    timed = texts(frames, "time_camera") != ""
    names = sorted({(c, s) for c, s, t in zip(camera, serial, timed, strict=True) if t})
    return [Body(c, s, np.flatnonzero((camera == c) & (serial == s) & timed)) for c, s in names]


def readings(frames: Table, epoch: Time) -> Floats:
    """Return clock readings less the epoch, both as bare dates and times; NaN where unknown."""
    zero = epoch.utc.to_datetime()
    seconds = [
        (datetime.fromisoformat(text) - zero).total_seconds() if text else np.nan
        for text in texts(frames, "time_camera")
    ]
    return np.array(seconds, dtype=float)


def resolution(frames: Table) -> Floats:
    """Return the step of each reading: a second, or a hundredth with SubSecTimeOriginal."""
    return np.where(flags(frames, "has_subsec"), 0.01, 1.0)


def covered_evidence(
    totality: tuple[Time, Time], epoch: Time, frames: Table, body: Body, reading: Floats
) -> Covered:
    """Return the body's frames of totality, and of the beads before and after it."""
    phase, sequence = texts(frames, "phase")[body.rows], order(frames)[body.rows]
    dark, beads = body.rows[phase == "totality"], body.rows[phase == "contact"]
    at = sequence[phase == "contact"]
    inside = sequence[phase == "totality"]
    first, last = (inside.min(), inside.max()) if inside.size else (np.inf, -np.inf)
    second, third = ((t - epoch).to_value("s") for t in totality)
    return Covered(
        reading[dark],
        resolution(frames)[dark],
        reading[beads[at < first]],
        reading[beads[at > last]],
        second,
        third,
    )


def order(frames: Table) -> Floats:
    """Return numbers that grow in the order of taking."""
    return floats(frames, "sequence")


def solve_body(
    config: Config,
    workspace: Workspace,
    totality: tuple[Time, Time] | None,
    track: SkyTrack,
    frames: Table,
    body: Body,
    reading: Floats,
) -> tuple[ClockSolution | None, Discs | None]:
    """Solve one body's clock; return it and its partial frames' discs, measured anew."""
    step = resolution(frames)
    discs = partial_discs(frames, body)
    direct = direct_readings(config, frames, body.rows, reading, track.epoch)
    covered = None
    if totality is not None:
        covered = covered_evidence(totality, track.epoch, frames, body, reading)
    turns = {"auto": None, "equatorial": False, "altazimuth": True, "fixed": True}
    exposure, sequence = np.nan_to_num(floats(frames, "exposure")), order(frames)

    def solve() -> ClockSolution | None:
        d = discs
        return solve_clock(
            track,
            crescents=Crescents(
                reading[d.rows],
                step[d.rows],
                exposure[d.rows],
                d.moon_x - d.sun_x,
                d.moon_y - d.sun_y,
                d.sigma,
                d.sun_radius,
                d.sun_sigma,
                sequence[d.rows],
            ),
            direct=direct,
            covered=covered,
            rotates=turns[config.timing.mount],
        )

    solution = solve()
    # The first solution tells each frame's time well enough (seconds) to know the ratio of the
    # discs and how refraction flattens them; what is left after two rounds is under 1 ms.
    for _ in range(2):
        if solution is None or solution.orientation is None:
            return solution, None
        at = discs.rows
        t = solution.utc_s(reading[at], step[at], sequence[at]) + 0.5 * exposure[at]
        discs = measure_again(workspace, track, frames, discs, solution, t)
        solution = solve()
    return solution, discs


def write_sidecars(workspace: Workspace, table: Table) -> None:
    """Write an XMP file for every frame whose time is known, below the workspace."""
    sigma = floats(table, "time_utc_sigma")
    times = texts(table, "time_utc")
    for file, time, s in zip(texts(table, "file"), times, sigma, strict=True):
        if time:
            path = workspace.path(f"{SIDECARS}{sidecar_name(file)}")
            write_text(path, sidecar_xml(time, float(s) if np.isfinite(s) else None))


@dataclass(frozen=True)
class Discs:
    """Sun and Moon in N partial frames, pixels; ``sigma`` is that of the vector between them."""

    rows: NDArray[np.int64]
    sun_x: Floats
    sun_y: Floats
    sun_radius: Floats
    sun_sigma: Floats
    moon_x: Floats
    moon_y: Floats
    moon_radius: Floats
    sigma: Floats


def partial_discs(frames: Table, body: Body) -> Discs:
    """Return the discs as ingest measured them."""
    column = {name: floats(frames, f"meas_{name}") for name in (*PLACES, "moon_sigma")}
    both = (texts(frames, "phase") == "partial") & np.isfinite(column["sun_x"] + column["moon_x"])
    rows = body.rows[both[body.rows]]
    sigma = np.hypot(column.pop("moon_sigma"), column["sun_sigma"])
    taken = {name: values[rows] for name, values in column.items()}
    taken["sun_sigma"] = np.maximum(taken["sun_sigma"], SIGMA_FLOOR_PX)
    return Discs(rows=rows, sigma=np.maximum(sigma[rows], SIGMA_FLOOR_PX), **taken)


def measure_again(
    workspace: Workspace,
    track: SkyTrack,
    frames: Table,
    discs: Discs,
    solution: ClockSolution,
    t: Floats,
) -> Discs:
    """Fit the discs anew with the sizes and the refraction of each frame's time."""
    assert solution.orientation is not None
    t = np.clip(t, track.first_s, track.last_s)
    ratio = track.moon_radius_arcsec(t) / track.sun_radius_arcsec(t)
    turn = track.parallactic_angle(t) - track.parallactic_angle(np.zeros(1))
    reduced = texts(frames, "reduced")
    found = []
    for i, row in enumerate(discs.rows):
        with np.load(workspace.path(reduced[row])) as stored:
            limbs = [stored["sun_limb"], stored["moon_limb"]]
        starts = [
            (discs.sun_x[i], discs.sun_y[i], discs.sun_radius[i]),
            (discs.moon_x[i], discs.moon_y[i], discs.moon_radius[i]),
        ]
        turned = solution.orientation.turned(turn[i] if solution.rotates else 0.0)
        squeeze = turned.in_pixels(track.squeeze(t[i]))
        sun, moon = refit(limbs, starts, squeeze, radius_ratio=float(ratio[i]))
        found.append((sun.x, sun.y, sun.radius, sun.sigma, moon.x, moon.y, moon.radius, moon.sigma))
    sx, sy, sr, ss, mx, my, mr, ms = np.array(found, dtype=float).reshape(-1, 8).T
    return Discs(
        discs.rows, sx, sy, sr, np.maximum(ss, SIGMA_FLOOR_PX), mx, my, mr,
        np.maximum(np.hypot(ss, ms), SIGMA_FLOOR_PX),
    )  # fmt: skip


def direct_readings(
    config: Config, frames: Table, rows: NDArray[np.int64], reading: Floats, epoch: Time
) -> Direct:
    """Return the frames of a body whose UTC a GPS tag or the config gives."""
    files, gps = texts(frames, "file"), texts(frames, "gps_utc")
    step = resolution(frames)
    zero = epoch.utc.to_datetime()
    sequence = order(frames)
    found = []
    for row in rows:
        for reference in config.timing.references:
            if files[row] == reference.file or files[row].endswith(f"/{reference.file}"):
                true = (reference.utc.replace(tzinfo=None) - zero).total_seconds()
                found.append((reading[row], step[row], true, 0.0, 0.1, sequence[row]))
        if gps[row]:
            stamp = datetime.fromisoformat(gps[row].rstrip("Z"))
            coarse = 0.0 if stamp.microsecond else 1.0
            true = (stamp - zero).total_seconds() + 0.5 * coarse
            found.append((reading[row], step[row], true, coarse, GPS_SIGMA_S, sequence[row]))
    columns = np.array(found, dtype=float).reshape(-1, 6).T
    return Direct(*columns)


def describe_clock(
    config: Config, body: Body, solution: ClockSolution | None, frames: Table, epoch: Time
) -> dict[str, Any]:
    """Return a body's entry in clock.json."""
    tags = floats(frames, "offset_tag_hours")[body.rows]
    tags = tags[np.isfinite(tags)]
    tag = float(np.median(tags)) if tags.size else None
    claimed = config.timing.utc_offset_hours if config.timing.utc_offset_hours is not None else tag
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
    if solution is None:
        entry["warnings"].append(
            "Nothing in this camera's frames tells the true time (no measured crescent, GPS tag, "
            "reference shot or totality), so its clock could not be checked."
        )
        return entry
    days, hours, rest = split_zone(solution.offset_s, claimed)
    warnings = list(solution.warnings)
    if days:
        warnings.append(
            f"The camera's date is {abs(days)} days {'late' if days > 0 else 'early'}; times are "
            "corrected. Set the date before the next session."
        )
    if claimed is not None and abs(hours - claimed) == 12.0:
        warnings.append(
            "The clock is 12 hours off (morning for afternoon); times are corrected. Set it before "
            "the next session."
        )
    elif claimed is not None and hours != claimed:
        warnings.append(
            f"The camera claims to be set to UTC{claimed:+g} h, its pictures say UTC{hours:+g} h "
            "(another zone, or daylight saving); the pictures are believed."
        )
    entry |= {
        "utc_offset_hours": hours,
        "offset_s": round(days * 86400.0 + rest, 4),
        "offset_sigma_s": round(solution.offset_sigma_s, 4),
        "drift_s_per_hour": round(solution.drift_s_per_hour, 4),
        "drift_sigma_s_per_hour": round(solution.drift_sigma_s_per_hour, 4),
        "frames_used": int(solution.used.sum()) if solution.used.size else int(body.rows.size),
        "residual_rms_s": known(solution.residual_rms_s),
        "sources": list(solution.sources),
        "warnings": warnings,
    }
    return entry


def describe_pointing(body: Body, solution: ClockSolution, track: SkyTrack) -> dict[str, Any]:
    """Return a body's entry in pointing.json."""
    orientation = solution.orientation
    assert orientation is not None
    turn = np.diff(track.parallactic_angle(np.array([-1800.0, 1800.0])))[0]
    return {
        "camera": body.camera,
        "serial": body.serial,
        "pixel_scale_arcsec": round(orientation.pixel_scale_arcsec, 6),
        "pixel_scale_sigma": round(solution.scale_sigma_arcsec, 7),
        "up_position_angle": round(orientation.up_position_angle, 5),
        "up_position_angle_sigma": round(solution.up_sigma_deg, 5),
        "mirrored": orientation.mirrored,
        "field_rotation_deg_per_hour": round(float(turn), 4) if solution.rotates else 0.0,
    }


def known(value: float, digits: int = 4) -> float | None:
    """Return a rounded value, or None for NaN, which JSON does not have."""
    return round(float(value), digits) if np.isfinite(value) else None


def phases(
    frames: Table,
    totality: tuple[Time, Time] | None,
    epoch: Time,
    utc: Floats,
    sigma: Floats,
) -> NDArray[np.object_]:
    """Return each frame's phase, from its content and, where known well enough, its time."""
    kind = texts(frames, "phase")
    phase = kind.copy()
    if totality is None:
        return phase
    second, third = ((t - epoch).to_value("s") for t in totality)
    middle = utc + 0.5 * np.nan_to_num(floats(frames, "exposure"))
    # With a clock known to worse than half a minute the content alone decides.
    timed = np.isfinite(utc) & (np.nan_to_num(sigma, nan=np.inf) < 30.0)
    unfiltered = np.isin(kind, ("totality", "contact"))
    during = timed & unfiltered & (middle > second) & (middle < third)
    near = np.minimum(np.abs(middle - second), np.abs(middle - third))
    phase[during] = "totality"
    phase[timed & (kind == "contact") & (near < CONTACT_S)] = "contact"
    phase[timed & (kind == "totality") & ~during] = "other"
    phase[timed & (kind == "totality") & ~during & (near < CONTACT_S)] = "contact"
    return phase


def _writes(config: Config) -> tuple[str, ...]:
    made = (Workspace.table("timing"), Workspace.clock, Workspace.pointing)
    return (*made, SIDECARS) if config.timing.sidecars else made


STAGE = Stage(
    name="timing",
    run=run,
    sections=("site", "eclipse", "sky", "timing"),
    rooms=(
        "sky",
        "limb",
        *(f"camera/{name}.py" for name in ("clock", "crescent_fit", "evidence", "posterior")),
        *("camera/sidecar.py", "stages/setting.py", "stages/columns.py"),
    ),
    reads=(Workspace.table("ingest"), Workspace.reduced),
    writes=_writes,
)
