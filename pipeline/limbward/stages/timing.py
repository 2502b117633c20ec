"""Timing: what each camera's clock did, and every frame's time on UTC."""

from __future__ import annotations

from functools import partial

import numpy as np
from astropy.table import Table
from astropy.time import Time

from limbward.camera.bands import is_narrow
from limbward.clock.bead_use import add_beads, clock_by_beads
from limbward.clock.beads import Beads
from limbward.clock.body import (
    KnownLimb,
    orient_by_corona,
    pull_totality,
    solve_body,
)
from limbward.clock.body_evidence import middle_s
from limbward.clock.distortion import (
    growth_of,
    solve_with_lens,
    straight_discs,
    straight_limbs,
)
from limbward.clock.entries import describe_body, describe_pointing, excess_told, zone_claimed
from limbward.clock.line_sun import larger_sun
from limbward.clock.readings import (
    Body,
    Readings,
    Reference,
    bodies,
    direct_evidence,
    unclear_reference,
)
from limbward.clock.solution import ClockSolution, split_zone
from limbward.clock.times import Times
from limbward.clock.wording import dated_by_another
from limbward.config import Config, place_and_time
from limbward.config.known_limb import known_limb
from limbward.config.pointing import known_growth, looked_up_growth
from limbward.config.said import said_of
from limbward.errors import ConfigError
from limbward.geometry.lens import UNTOLD, Growth, Lens
from limbward.limb.partial import Discs, partial_discs
from limbward.limb.session import session
from limbward.phase.decide import NEVER
from limbward.phase.line import with_larger_sun
from limbward.runs.stage import Stage
from limbward.sky.doubt import Doubt
from limbward.sky.gps_place import gps_place
from limbward.sky.track import SkyTrack
from limbward.stages.phasing import decide_phases
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.measured import (
    clock_readings,
    crops_of_rows,
    lens_of_rows,
    limbs_of_rows,
    measured_discs,
    middles_of,
    rims_of_rows,
    size_of_rows,
)
from limbward.workspace.stored import read_stage_table
from limbward.workspace.timing_table import SIDECARS, write_sidecars, write_timing

WIDE = (
    "Its wide frames have no disc to measure, so its clock could not be checked; `limbward "
    "landscape` finds it by the light."
)


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Solve for every camera's clock and write clock.json, pointing.json and the times."""
    frames = read_stage_table(workspace, "ingest")
    circumstances = place_and_time.eclipse(config)
    epoch = place_and_time.greatest(circumstances)
    totality_s = place_and_time.covered_s(config, circumstances)
    track = place_and_time.track(config, epoch)
    told = said_of(config.frames, texts(frames, "file"))
    dropped, stated = told.drop, told.phase
    latitude, longitude = (floats(frames, f"gps_{name}") for name in ("latitude", "longitude"))
    stood = gps_place(place_and_time.site(config), latitude, longitude)
    doubt = place_and_time.doubt(config, track, stood)
    readings = clock_readings(frames, epoch).without(dropped)
    references = _references(config, frames)
    discs_seen, limbs = measured_discs(frames), limbs_of_rows(workspace, frames)
    measured = np.isfinite(discs_seen["moon_x"] + discs_seen["sun_x"])
    tags = floats(frames, "offset_tag_hours")
    limb = known_limb(config, epoch)
    times = Times(readings)
    pull = np.full((len(frames), 3), np.nan)
    clocks, pointings, in_lines = [], [], []
    timed, bands = texts(frames, "time_camera") != "", texts(frames, "band")
    wide = flags(frames, "wide")
    cameras = bodies(texts(frames, "camera"), texts(frames, "serial"), timed)
    # A file cut short may have lost its serial number, and is no camera of its own.
    seen = texts(frames, "phase") != "unreadable"
    cameras = [body for body in cameras if seen[body.rows].any()]
    with reporter.progress(len(cameras), "cameras") as advance:
        for body in cameras:
            rows = body.rows
            start, unknown = _by_its_name(config, frames, body)
            solve = partial(
                _solve, config, workspace, frames, readings, references, doubt, totality_s, body,
                limb, start,
            )  # fmt: skip
            own, excess = track, None
            if is_narrow(bands[rows[0]]):
                own, excess = larger_sun(discs_seen, limbs, readings, rows, track, solve)
                in_lines.append((rows[stated[rows] == ""], excess))
            solution, discs, beads = solve(own)
            claimed = zone_claimed(tags[rows], config.timing.utc_offset_hours)
            solution, elsewhen = _of_this_eclipse(config, epoch, solution, claimed)
            said = times.fill_in(body, solution, discs, claimed, totality_s)
            if solution is not None and solution.orientation is not None and limb is not None:
                solution, dark, pulled = pull_totality(
                    track, times, body, solution, discs_seen, limbs, limb
                )
                pull[dark] = pulled
            clock = describe_body(
                references,
                body,
                readings,
                solution,
                discs,
                claimed,
                int(measured[rows].sum()),
                epoch,
                times.piece_at_epoch(body, solution),
                times.open_at_epoch(body, solution),
            )
            add_beads(clock, beads, solution, readings, epoch)
            if solution is None and wide[rows].any():
                clock["warnings"] = [WIDE]
            clocks.append(clock)
            clock["warnings"] += elsewhen + said + unknown
            if stood is not None and stood.contradicts and np.isfinite(latitude[rows]).any():
                clock["warnings"].append(stood.warning())
            if solution is not None and solution.orientation is not None:
                pointings.append(describe_pointing(body, solution, track) | excess_told(excess))
            for warning in clock["warnings"]:
                reporter.warn(f"{body.camera} {body.serial}: {warning}".strip())
            advance()

    middle_s = times.since_greatest_s + 0.5 * readings.exposure_s
    covered = totality_s or (None if circumstances.kind == "total" else NEVER)
    phases = decide_phases(config, frames, middle_s, times.sigma_s, covered)
    for rows, excess in in_lines if circumstances.kind == "total" else []:
        phases = with_larger_sun(phases, rows, track, excess, middle_s, times.sigma_s)
    table = write_timing(workspace, frames, epoch, times, phases, pull)
    if config.timing.sidecars:
        write_sidecars(workspace, table)
    workspace.write_json(Workspace.clock, {"cameras": clocks})
    workspace.write_json(Workspace.pointing, {"cameras": pointings})


def _solve(
    config: Config,
    workspace: Workspace,
    frames: Table,
    readings: Readings,
    references: list[Reference],
    doubt: Doubt,
    totality_s: tuple[float, float] | None,
    body: Body,
    limb: KnownLimb | None,
    start: Growth,
    track: SkyTrack,
) -> tuple[ClockSolution | None, Discs | None, Beads | None]:
    """Solve one body's clock, and for its orientation by the corona where nothing else tells."""
    measured, limbs = measured_discs(frames), limbs_of_rows(workspace, frames)
    middles = middles_of(frames)
    partial_phases = partial_discs(measured, readings.phase == "partial", body.rows)
    crops = crops_of_rows(workspace, frames)

    def solved(lens: Lens) -> tuple[ClockSolution | None, Discs | None]:
        return solve_body(
            track,
            body,
            readings,
            straight_discs(partial_phases, lens),
            straight_limbs(limbs, lens),
            direct=direct_evidence(references, body, readings, track.epoch.utc.to_datetime()),
            totality_s=totality_s,
            rotates=config.timing.rotates,
            limb=limb,
            doubt=doubt,
            middles=middles,
        )

    solution, discs = solve_with_lens(
        solved,
        partial(growth_of, track, readings, body.rows, measured, limbs, crops),
        lens_of_rows(frames, body.rows),
        known_growth(config, body.camera),
        start,
    )
    beads = None
    if config.timing.beads:
        solution, beads = clock_by_beads(
            track,
            doubt,
            body,
            readings,
            solution,
            limb,
            totality_s,
            rims_of_rows(workspace, frames),
            rotates=config.timing.rotates,
            iso=floats(frames, "iso"),
            moon_radius_px=measured["moon_radius"],
            beside_px=np.stack([measured["moon_x"], measured["moon_y"]], axis=1) - middles,
        )
    stated = None not in (config.align.up_position_angle, config.align.pixel_scale_arcsec)
    if solution is None or solution.orientation is not None or stated:
        return solution, discs, beads
    rows = body.rows[readings.phase[body.rows] == "totality"]
    middle = np.full(len(frames), np.nan)
    middle[rows] = middle_s(solution, readings, rows)
    dark = session(rows, middle, floats(frames, "exposure"), measured)
    scale = config.align.pixel_scale_arcsec
    return orient_by_corona(track, dark, crops, solution, scale_arcsec=scale), discs, beads


def _by_its_name(config: Config, frames: Table, body: Body) -> tuple[Growth, list[str]]:
    """Return the distortion of the lens that most of a body's frames name, or why not."""
    lens, focal = texts(frames, "lens")[body.rows], floats(frames, "focal_length")[body.rows]
    names, count = np.unique(lens.astype(str), return_counts=True)
    name = str(names[np.argmax(count * (names != ""))])
    mine = lens == name
    known = focal[mine & np.isfinite(focal)]
    pitch = floats(frames, "pixel_pitch_um")[body.rows]
    pitch = pitch[np.isfinite(pitch)]
    size = size_of_rows(frames, body.rows)
    if size is None:
        return UNTOLD, []
    growth, unknown = looked_up_growth(
        config,
        body.camera,
        name,
        float(np.median(known)) if known.size else np.nan,
        size,
        float(np.median(pitch)) if pitch.size else np.nan,
    )
    return growth, [unknown] if unknown else []


def _of_this_eclipse(
    config: Config, epoch: Time, solution: ClockSolution | None, claimed: float | None
) -> tuple[ClockSolution | None, list[str]]:
    """Return the solution, or None and why if the frames are dated by another eclipse."""
    if solution is None or not solution.runs or "direct" in solution.sources:
        return solution, []
    days = split_zone(solution.offset_s, claimed)[0]
    date = place_and_time.other_eclipse(config, epoch, days)
    if not date:
        return solution, []
    return None, [dated_by_another(date, config.eclipse.isoformat(), days)]


def _references(config: Config, frames: Table) -> list[Reference]:
    """Return the config's reference shots, each of which must name exactly one frame."""
    timed = texts(frames, "file")[texts(frames, "time_camera") != ""].tolist()
    found = [Reference(r.file, r.utc.replace(tzinfo=None)) for r in config.timing.references]
    for i, reference in enumerate(found):
        unclear = unclear_reference(reference, timed)
        if unclear:
            raise ConfigError(f"{config.where('timing', 'references', i, 'file')}: {unclear}")
    return found


def _writes(config: Config) -> tuple[str, ...]:
    made = (Workspace.table("timing"), Workspace.clock, Workspace.pointing)
    return (*made, SIDECARS) if config.timing.sidecars else made


STAGE = Stage(
    name="timing",
    run=run,
    sections=("site", "eclipse", "sky", "timing", "align", "frames", "bodies"),
    reads=(Workspace.table("ingest"), Workspace.reduced),
    writes=_writes,
)
