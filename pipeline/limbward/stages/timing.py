"""Timing: what each camera's clock did, and every frame's time on UTC."""

from __future__ import annotations

from dataclasses import replace

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.camera.sidecar import sidecar_name, sidecar_xml
from limbward.clock.evidence import Crescents
from limbward.clock.solution import ClockSolution
from limbward.clock.solve import solve_clock
from limbward.config import Config
from limbward.sky.contacts import iso_utc
from limbward.sky.track import SkyTrack
from limbward.stages import setting
from limbward.stages.clock_entries import describe_clock, describe_evidence, describe_pointing
from limbward.stages.clock_evidence import (
    Body,
    bodies,
    check_references,
    covered_evidence,
    direct_readings,
    far_instants,
    order,
    readings,
    resolution,
)
from limbward.stages.discs import PLACES, Discs, measure_again, partial_discs
from limbward.stages.stage import Stage
from limbward.stages.totality import compare, orientation_by_corona, session
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, masked_floats, masked_texts, texts
from limbward.workspace.stored import read_stage_table

Floats = NDArray[np.float64]

# Without a limb profile the Moon's centre is off by this much on the average of a session: 1 arcsec
# of relief over a limb of which a dozen mountains count (0.2 s of time; found on simulated cards
# with a relief of 0.8 arcsec).
RELIEF_ARCSEC = 0.06
SIDECARS = "sidecars/"
YEAR_S = 365.25 * 86400.0
KNOWN_YEARS = 60  # a frame further from the eclipse bears no date of a digital camera's days
CONTACT_S = 20.0  # unfiltered frames this near to C2 or C3 show beads and the diamond ring


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Solve for every camera's clock and write clock.json, pointing.json and the times."""
    frames = read_stage_table(workspace, "ingest")
    circumstances = setting.eclipse(config)
    epoch = setting.greatest(circumstances)
    totality = setting.covered(config, circumstances)
    track = setting.track(config, epoch)
    reading = readings(frames, epoch)
    check_references(config, frames)

    utc, sigma = np.full(len(frames), np.nan), np.full(len(frames), np.nan)
    residual = np.full(len(frames), np.nan)
    place = {name: np.full(len(frames), np.nan) for name in PLACES}
    clocks, pointings = [], []
    cameras = bodies(frames)
    with reporter.progress(len(cameras), "cameras") as advance:
        for body in cameras:
            solution, discs = solve_body(config, workspace, totality, track, frames, body, reading)
            stated = None not in (config.align.up_position_angle, config.align.pixel_scale_arcsec)
            if solution is not None and solution.orientation is None and not stated:
                solution = orient_by_corona(
                    config, workspace, track, frames, body, reading, solution
                )
            clock = describe_clock(config, body, solution, frames, epoch)
            clock |= describe_evidence(config, body, solution, discs, frames)
            clock["warnings"] += far_instants(config, frames, body, epoch)
            clocks.append(clock)
            if solution is not None:
                rows = body.rows
                utc[rows] = solution.utc_s(
                    reading[rows], resolution(frames)[rows], order(frames)[rows]
                )
                sigma[rows] = solution.sigma_s(reading[rows], resolution(frames)[rows])
                if discs is not None:
                    used = np.where(solution.used, solution.residual_s, np.nan)
                    residual[discs.rows] = used
                    for name in PLACES:
                        place[name][discs.rows] = getattr(discs, name)
                if solution.orientation is not None:
                    pointings.append(describe_pointing(body, solution, track))
            elif clock["utc_offset_hours"] is not None:
                # Only the claim of the tag or the config: no sigma, since nothing checks it.
                utc[body.rows] = reading[body.rows] - clock["utc_offset_hours"] * 3600.0
            far = body.rows[~(np.abs(utc[body.rows]) < KNOWN_YEARS * YEAR_S)]
            far = far[np.isfinite(utc[far])]
            if far.size:
                utc[far] = sigma[far] = np.nan
                clock["warnings"].append(
                    f"{far.size} frames ({frames['file'][far[0]]} for one) are dated more than "
                    f"{KNOWN_YEARS} years from the eclipse, so their time is not known; where the "
                    "tag is wrong, name the frames under timing.references in the config."
                )
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
    profile = setting.limb_profile(config)
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
            relief_arcsec=0.0 if profile is not None else RELIEF_ARCSEC,
        )

    solution = solve()
    # The first solution tells each frame's time well enough (seconds) to know the ratio of the
    # discs and how refraction flattens them; what is left after two rounds is under 1 ms.
    for _ in range(2):
        if solution is None or solution.orientation is None:
            return solution, None
        at = discs.rows
        t = solution.utc_s(reading[at], step[at], sequence[at]) + 0.5 * exposure[at]
        discs = measure_again(workspace, track, frames, discs, solution, t, profile)
        solution = solve()
    return solution, discs


def orient_by_corona(
    config: Config,
    workspace: Workspace,
    track: SkyTrack,
    frames: Table,
    body: Body,
    reading: Floats,
    solution: ClockSolution,
) -> ClockSolution:
    """Return the solution with the orientation that the Moon's motion on the corona shows."""
    phase = texts(frames, "phase")
    rows = body.rows[phase[body.rows] == "totality"]
    step = resolution(frames)
    middle = np.full(len(frames), np.nan)
    exposure = np.nan_to_num(floats(frames, "exposure"))
    middle[rows] = solution.utc_s(reading[rows], step[rows], order(frames)[rows])
    middle[rows] += 0.5 * exposure[rows]
    s = session(frames, rows, middle)
    comparisons = compare(
        workspace, frames, s, s.moon_x, s.moon_y, np.zeros(s.rows.size), lambda: None
    )
    found = orientation_by_corona(
        s,
        track,
        comparisons,
        time_sigma_s=solution.offset_sigma_s,
        scale_arcsec=config.align.pixel_scale_arcsec,
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


def write_sidecars(workspace: Workspace, table: Table) -> None:
    """Write an XMP file for every frame whose time is known, below the workspace."""
    sigma = floats(table, "time_utc_sigma")
    times = texts(table, "time_utc")
    for file, time, s in zip(texts(table, "file"), times, sigma, strict=True):
        if time:
            xml = sidecar_xml(time, float(s) if np.isfinite(s) else None)
            workspace.write_text(f"{SIDECARS}{sidecar_name(file)}", xml)


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
    # A frame of totality in which no limb was found is one all the same.
    limbless = (kind == "other") & (texts(frames, "reduced") != "")
    unfiltered |= limbless
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
    reads=(Workspace.table("ingest"), Workspace.reduced),
    writes=_writes,
)
