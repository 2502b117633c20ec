"""Several bodies in one corona: a part of the stage merge."""

from __future__ import annotations

from functools import partial

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.compiled import at_most
from limbward.config import Config
from limbward.radiance.field import Field
from limbward.radiance.join.choice import Candidate, candidates, joined, untried
from limbward.radiance.join.corona import Body, body_of, given, lay_together, write_joint
from limbward.radiance.scratch import on_disk
from limbward.radiance.selection import Files, choose
from limbward.stages.merge_one import Work, field_of_body, merge_frames, told_of
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.bodies import write_bodies
from limbward.workspace.earlier import keep_better
from limbward.workspace.merge_table import Told
from limbward.workspace.noise import write_noise

MEGA = 1e6


def bodies_to_merge(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    files: Files,
    align: Table,
    note: NDArray[np.object_],
) -> list[tuple[Candidate, Field]]:
    """Return the bodies that are merged, that of most frames first, each with its grid.

    ``note`` gets a sentence for each usable frame that is left out.

    Raises
    ------
    ConfigError
        If ``merge.camera`` or ``merge.cameras`` names no camera of the dump.
    """
    options = config.merge
    field = partial(field_of_body, config, workspace, align=align)
    bodies = {
        b for b, ok in zip(zip(files.camera, files.serial, strict=True), files.usable, strict=True)
        if ok
    }  # fmt: skip
    if options.camera is not None or (options.cameras is None and len(bodies) < 2):
        frames = choose(files, options.camera, config.where("merge", "camera"), note)
        if frames is None:
            return []
        return [(Candidate(frames, False), field(frames=frames, side=options.size))]
    found = candidates(files, options.cameras, config.where("merge", "cameras"), note)
    placed = [(c, field(frames=c.frames, side=None)) for c in found]
    align_as = config.align.up_position_angle, config.align.pixel_scale_arcsec
    out, said = joined(placed, align_as != (None, None), note)
    for sentence in said:
        reporter.note(sentence)
    if len(out) == 1 and options.size is not None:
        out = [(out[0][0], field(frames=out[0][0].frames, side=options.size))]
    return out


def merge_bodies(
    work: Work, found: list[tuple[Candidate, Field]], note: NDArray[np.object_]
) -> Told:
    """Merge each body, join them, and write corona.fits and what each gave.

    Returns
    -------
    dict
        As `merge_one` does.
    """
    config, workspace, reporter = work.config, work.workspace, work.reporter
    store = partial(on_disk, folder=workspace.root)
    told: Told = {}
    bodies: list[Body] = []
    for candidate, field in found:
        reporter.note(f"Merging {candidate.name}, {len(candidate.frames.row)} frames.")
        plan, made = merge_frames(work, candidate.frames, field, take_sky_off=False)
        told.update(told_of(candidate.frames, plan, made))
        bodies.append(body_of(plan, made, named=candidate.named, store=store))
    options = config.merge
    with reporter.progress(None, "laying the cameras' pictures on each other"):
        joint = lay_together(
            bodies,
            side=options.size,
            most_pixels=options.largest_megapixels * MEGA,
            warn=reporter.warn,
            note=reporter.note,
        )
    for body, why in joint.left_out:
        reporter.warn(f"{body.part.name} is not merged: {why}.")
        told.update({int(r): (told[int(r)][0], why) for r in body.frames.row})
    merged = sum(int(b.merged.sum()) for b in joint.bodies)
    keep_better(workspace, merged, reporter.warn)
    with (
        at_most(config.run.jobs),
        workspace.writing(Workspace.corona) as part,
        reporter.progress(None, "joining the cameras' pictures"),
    ):
        sky, _ = write_joint(
            part,
            joint,
            take_sky_off=options.background == "plane",
            solar_radius_km=config.sky.solar_radius_km,
        )
    if sky is None and options.background == "plane":
        reporter.note(
            "The field is too small to tell the sky from the corona, so the sky is not subtracted."
        )
    level = None if sky is None else sky.level.tolist()
    write_noise(workspace, [b.made.record for b in joint.bodies], level)
    edges, instruments = given(joint)
    others = untried(work.files, [candidate for candidate, _ in found], note)
    write_bodies(workspace, edges, instruments, [*others, *joint.misfits])
    reporter.note(joint.words)
    return told
