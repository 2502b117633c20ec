"""Alignment: where Sun and Moon are in every frame, and which frames can be merged."""

from __future__ import annotations

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time

from limbward.config import Config, place_and_time
from limbward.config.pointing import pointing_in_force
from limbward.config.said import said_of
from limbward.geometry.ring import shows_ring
from limbward.limb.mergeable import mergeable
from limbward.limb.place import PLACES, Placing, Seen, phase_where_contradicted
from limbward.limb.words import Words
from limbward.runs.stage import Stage
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, masked_floats, masked_texts, texts
from limbward.workspace.measured import (
    clock_readings,
    crops_of_rows,
    measured_discs,
    with_cores,
)
from limbward.workspace.stored import read_pointings, read_stage_tables


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Place Sun and Moon in the frames and write tables/align.ecsv."""
    ingest, timing = read_stage_tables(workspace, "ingest", "timing")
    pointings = read_pointings(workspace)
    circumstances = place_and_time.eclipse(config)
    track = place_and_time.track(config, place_and_time.greatest(circumstances))
    totality_s = place_and_time.covered_s(config, circumstances)
    seen = _seen(ingest, timing, place_and_time.greatest(circumstances))
    said = said_of(config.frames, texts(ingest, "file"))
    camera, serial = texts(ingest, "camera"), texts(ingest, "serial")
    for body in sorted(set(zip(camera, serial, strict=True))):
        mine = (camera == body[0]) & (serial == body[1])
        seen.phase[mine], contradicted = phase_where_contradicted(
            seen.phase[mine], seen.content[mine], seen.middle_s[mine], totality_s
        )
        if contradicted:
            seen.time_sigma_s[mine] = np.nan
            reporter.warn(
                f"{body[0]} {body[1]}: by the clock, most of its frames of totality were taken "
                "outside totality, so the clock or the site must be wrong. The frames are "
                "trusted. Check site and timing in the config."
            )
    placing = Placing(track, seen)
    crops = crops_of_rows(workspace, ingest)

    seen.phase[:] = np.where(said.phase == "", seen.phase, said.phase)
    totality = (np.isin(seen.phase, ("totality", "contact")) | said.keep) & ~said.drop
    for body in sorted({(c, s) for c, s in zip(camera[totality], serial[totality], strict=True)}):
        mine = np.flatnonzero(totality & (camera == body[0]) & (serial == body[1]))
        pointing = pointing_in_force(config, pointings, body)
        if pointing is None:
            reporter.warn(
                f"{body[0]} {body[1]}: the camera's orientation is not known: no partial phase "
                "was measured, and the Moon's motion across the corona does not show it. The "
                "frames are registered on each other alone, and north in the picture is not "
                "known. Give align.up_position_angle and align.pixel_scale_arcsec in the config."
            )
            placing.place_by_frames(mine, None, crops, reporter.progress)
        else:
            placing.place_body(mine, pointing, crops, reporter.progress)
    words = Words(said.keep, said.drop, said.phase == "totality", said.key)
    usable = mergeable(placing, totality_s, config.align.max_sigma_px, words)

    table = Table()
    table["file"] = ingest["file"]
    table["phase"] = masked_texts(seen.phase)
    table["left_out"] = said.drop
    for name, values in placing.place.items():
        table[name] = masked_floats(values, u.pix)
    sun, moon = (
        np.column_stack([placing.place[f"{disc}_{p}"] for p in ("x", "y", "radius")])
        for disc in ("sun", "moon")
    )
    table["ring"] = (seen.phase == "partial") & shows_ring(sun, moon)
    table["limb_sigma"] = masked_floats(placing.limb_sigma, u.pix)
    table["sun_sigma"] = masked_floats(placing.sun_sigma, u.pix)
    table["sun_sigma_relative"] = masked_floats(placing.relative, u.pix)
    table["limb_miss"] = masked_floats(placing.limb_miss, u.pix)
    table["rotation_deg"] = masked_floats(placing.turn_deg, u.deg)
    table["usable"] = usable
    table["note"] = masked_texts(placing.note)
    workspace.write_table(Workspace.table("align"), table)


def _seen(ingest: Table, timing: Table, epoch: Time) -> Seen:
    """Return what ingest measured, and timing measured anew."""
    discs = measured_discs(ingest)
    for name in ("x", "y", "radius"):
        discs[f"moon_{name}"] -= np.nan_to_num(floats(timing, f"limb_pull_{name}"))
    measured, drowned = with_cores(discs, ingest, texts(timing, "phase"))
    anew = {name: floats(timing, name) for name in (*PLACES, "sun_sigma")}
    exposure = floats(ingest, "exposure")
    return Seen(
        phase=texts(timing, "phase"),
        content=texts(ingest, "phase"),
        reading_s=clock_readings(ingest, epoch).reading_s + 0.5 * np.nan_to_num(exposure),
        middle_s=floats(timing, "since_greatest_s") + 0.5 * np.nan_to_num(exposure),
        time_sigma_s=floats(timing, "time_utc_sigma"),
        exposure_s=exposure * np.nan_to_num(floats(ingest, "iso"), nan=100.0) / 100.0,
        limb_width=floats(ingest, "limb_width"),
        trail=floats(ingest, "limb_trail"),
        behind_filter=flags(timing, "behind_filter"),
        clipped=flags(ingest, "limb_saturated"),
        drowned=drowned,
        measured=measured,
        best={n: np.where(np.isfinite(a), a, measured[n]) for n, a in anew.items()},
    )


STAGE = Stage(
    name="align",
    run=run,
    sections=("site", "eclipse", "sky", "align", "frames"),
    reads=(
        Workspace.table("ingest"),
        Workspace.table("timing"),
        Workspace.pointing,
        Workspace.reduced,
    ),
    writes=(Workspace.table("align"),),
)
