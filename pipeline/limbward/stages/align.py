"""Alignment: where Sun and Moon are in every frame, and which frames can be merged."""

from __future__ import annotations

from copy import deepcopy

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.bands import is_narrow
from limbward.config import Config, place_and_time
from limbward.config.pointing import pointing_in_force
from limbward.config.said import said_of
from limbward.geometry.pointing import Pointing
from limbward.limb.mergeable import mergeable
from limbward.limb.place import Placing
from limbward.limb.words import Words
from limbward.phase.contradicted import phase_where_contradicted
from limbward.runs.stage import Stage
from limbward.stages.star_places import Found, look_for_stars
from limbward.stars.wording import stars_told
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.align_table import seen_in, write_align
from limbward.workspace.columns import texts
from limbward.workspace.measured import crops_of_rows, lens_of_rows
from limbward.workspace.stars import BodyStars, write_stars
from limbward.workspace.stored import (
    pointing_sources,
    read_measured_pointings,
    read_stage_tables,
)

Body = tuple[str, str]

NOT_KNOWN = (
    "the camera's orientation is not known: no partial phase was measured, and neither the Moon's "
    "motion across the corona nor stars reveal it. The frames are registered on each other alone, "
    "and north in the picture is not known. Give align.up_position_angle and "
    "align.pixel_scale_arcsec in the config."
)


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Place Sun and Moon in the frames and write tables/align.ecsv."""
    ingest, timing = read_stage_tables(workspace, "ingest", "timing")
    pointings = read_measured_pointings(workspace)
    circumstances = place_and_time.eclipse(config)
    track = place_and_time.track(config, place_and_time.greatest(circumstances))
    totality_s = place_and_time.covered_s(config, circumstances)
    seen = seen_in(ingest, timing, place_and_time.greatest(circumstances))
    said = said_of(config.frames, texts(ingest, "file"))
    camera, serial, bands = (texts(ingest, name) for name in ("camera", "serial", "band"))
    for body in sorted(set(zip(camera, serial, strict=True))):
        mine = (camera == body[0]) & (serial == body[1])
        if is_narrow(bands[mine][0]):
            # Without a corona, pictures do not tell totality from a disc that the frame cuts.
            continue
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
    phase = np.where(said.phase == "", seen.phase, said.phase)
    totality = (np.isin(phase, ("totality", "contact")) | said.keep) & ~said.drop
    bodies = {
        body: np.flatnonzero(totality & (camera == body[0]) & (serial == body[1]))
        for body in sorted(
            {(c, s) for c, s in zip(camera[totality], serial[totality], strict=True)}
        )
    }
    crops = crops_of_rows(workspace, ingest)

    def place(pointings: dict[Body, Pointing | None]) -> Placing:
        # Placing writes into what was seen.
        placing = Placing(track, deepcopy(seen))
        placing.seen.phase[:] = phase
        for body, mine in bodies.items():
            pointing = pointings[body]
            if pointing is None:
                placing.place_by_frames(mine, None, crops, reporter.progress)
            else:
                lens = lens_of_rows(ingest, mine, pointing.distortion)
                placing.place_body(mine, pointing, crops, reporter.progress, lens)
        return placing

    standing = {body: pointing_in_force(config, pointings, body) for body in bodies}
    placing = place(standing)
    by_stars = _stars(config, workspace, ingest, placing, bodies, standing)
    write_stars(workspace, by_stars)
    for b in by_stars:
        sentence = stars_told(b.field, b.frames, b.decides)
        reporter.note(f"{b.camera} {b.serial}: {sentence}")
    better = standing | {
        (b.camera, b.serial): b.pointing(standing[b.camera, b.serial]) for b in by_stars
    }
    if better != standing:
        standing = better
        placing = place(standing)
    for body, pointing in standing.items():
        if pointing is None:
            reporter.warn(f"{body[0]} {body[1]}: {NOT_KNOWN}")
    words = Words(said.keep, said.drop, said.phase == "totality", said.key)
    usable = mergeable(placing, totality_s, config.align.max_sigma_px, words)

    write_align(workspace, ingest, placing, said.drop, usable)


def _stars(
    config: Config,
    workspace: Workspace,
    ingest: Table,
    placing: Placing,
    bodies: dict[Body, NDArray[np.int64]],
    standing: dict[Body, Pointing | None],
) -> list[BodyStars]:
    """Return what stars tell of each body whose frames were searched for them."""
    if not config.align.stars:
        return []
    stated = None not in (config.align.up_position_angle, config.align.pixel_scale_arcsec)
    sure = {b for b, source in pointing_sources(workspace).items() if source == "crescents"}
    found = [
        look_for_stars(
            config, workspace, ingest, placing,
            Found(mine, standing[body], stated or body in sure),
        )
        for body, mine in bodies.items()
    ]  # fmt: skip
    return [one for one in found if one is not None]


STAGE = Stage(
    name="align",
    run=run,
    sections=("site", "eclipse", "sky", "align", "frames", "bodies"),
    reads=(
        Workspace.table("ingest"),
        Workspace.table("timing"),
        Workspace.pointing,
        Workspace.reduced,
    ),
    writes=(Workspace.table("align"), Workspace.stars, Workspace.table("stars")),
)
