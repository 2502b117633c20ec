"""Alignment: where Sun and Moon are in every frame, and which frames can be merged."""

from __future__ import annotations

import numpy as np

from limbward.config import Config, place_and_time
from limbward.config.pointing import pointing_in_force
from limbward.config.said import said_of
from limbward.limb.mergeable import mergeable
from limbward.limb.place import Placing, phase_where_contradicted
from limbward.limb.words import Words
from limbward.runs.stage import Stage
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.align_table import seen_in, write_align
from limbward.workspace.columns import texts
from limbward.workspace.measured import crops_of_rows
from limbward.workspace.stored import read_pointings, read_stage_tables


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Place Sun and Moon in the frames and write tables/align.ecsv."""
    ingest, timing = read_stage_tables(workspace, "ingest", "timing")
    pointings = read_pointings(workspace)
    circumstances = place_and_time.eclipse(config)
    track = place_and_time.track(config, place_and_time.greatest(circumstances))
    totality_s = place_and_time.covered_s(config, circumstances)
    seen = seen_in(ingest, timing, place_and_time.greatest(circumstances))
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

    write_align(workspace, ingest, placing, said.drop, usable)


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
