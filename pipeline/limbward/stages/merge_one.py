"""The frames of one body merged: a part of the stage merge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from functools import partial
from shutil import disk_usage

from astropy.table import Table

from limbward.compiled import at_most
from limbward.config import Config, place_and_time
from limbward.config.pointing import pointing_in_force
from limbward.radiance.assembly import Made, Plan, make_corona, merge_pixels, plan_merge
from limbward.radiance.corona import write_corona
from limbward.radiance.field import Field, field_of, shared_sigma
from limbward.radiance.join.choice import Candidate
from limbward.radiance.merge import Merged
from limbward.radiance.scratch import Room, room_on_disk
from limbward.radiance.selection import Files, Frames
from limbward.stages.merge_pieces import FOLDER, MergePieces
from limbward.work.decoding import Decoded, Decoder, Shelf
from limbward.work.memory import GIGA, allowed_memory
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats
from limbward.workspace.earlier import keep_better
from limbward.workspace.merge_table import ALONE, Told
from limbward.workspace.noise import write_noise
from limbward.workspace.stored import planes_of_rows, read_pointings

SPARE = 1.2  # times the decoded frames: other things are written beside them


@dataclass(frozen=True)
class Work:
    """What a merge works with.

    Attributes
    ----------
    config, workspace, reporter, files, decoder
    ingest : Table
        Of that stage.
    key : str
        Digest of what the merge is made from.
    """

    config: Config
    workspace: Workspace
    reporter: Reporter
    files: Files
    ingest: Table
    decoder: Decoder
    key: str = ""


def merge_one(work: Work, candidate: Candidate, field: Field) -> Told:
    """Merge one body and write corona.fits.

    Returns
    -------
    dict of int to (float, str)
        By rows: a frame's exposure against the nominal one, and why it is not in the picture, or
        `ALONE`.
    """
    options = work.config.merge
    why = "as the config says" if options.camera else "the only camera whose frames can be merged"
    work.reporter.note(
        f"Merging {candidate.name}, {why}: {len(candidate.frames.row)} frames at "
        f"{field.grid.scale_arcsec:.2f} arcsec per pixel."
    )
    plan, made = merge_frames(
        work, candidate.frames, field, take_sky_off=work.config.merge.background == "plane"
    )
    write_noise(work.workspace, made.record)
    keep_better(work.workspace, int(made.corona.header["NFRAMES"]), work.reporter.warn)
    with work.workspace.writing(Workspace.corona) as part:
        write_corona(part, made.corona, made.calibration)
    return told_of(candidate.frames, plan, made)


def merge_frames(
    work: Work, frames: Frames, field: Field, *, take_sky_off: bool
) -> tuple[Plan, Made]:
    """Compare and merge frames of one body, or join the pieces in which that has been done."""
    reporter = work.reporter
    room = partial(room_on_disk, folder=work.workspace.root)
    found = None
    if work.workspace.path(FOLDER).is_dir():
        found = MergePieces(work.workspace, work.key, frames).joined(frames, field, room)
    plan, merged, surface = found or _merged(work, compared(work, frames, field), room)
    made = make_corona(
        plan,
        merged,
        surface,
        take_sky_off=take_sky_off,
        solar_radius_km=work.config.sky.solar_radius_km,
    )
    for warning in made.warnings:
        reporter.warn(warning)
    for note in made.notes:
        reporter.note(note)
    return plan, made


def compared(work: Work, frames: Frames, field: Field) -> Plan:
    """Compare frames of one body at reduced size."""
    options = work.config.merge
    with work.reporter.progress(None, "comparing exposures"):
        return plan_merge(
            work.files,
            frames,
            field,
            planes_of_rows(work.workspace, work.ingest),
            work.decoder.read,
            linear_up_to=options.linear_up_to,
            moon_margin_px=options.moon_margin_px,
            warn=work.reporter.warn,
            room=partial(room_on_disk, folder=work.workspace.root),
        )


def _merged(work: Work, plan: Plan, room: Room) -> tuple[Plan, Merged, Merged | None]:
    """Merge the pixels of one body here."""
    options, reporter, frames = work.config.merge, work.reporter, plan.frames
    memory = allowed_memory(work.config.run.memory)
    needed = SPARE * plan.frame_bytes * len(frames.row)
    shelved = work.decoder.can_shelve and disk_usage(work.workspace.root).free > needed
    bands, workers = plan.bands(memory, work.decoder.workers, shelved)
    if len(bands) > 1 and not shelved:
        reporter.note(
            f"The merge is done in {len(bands)} bands, most frames being decoded for each, to keep "
            f"within {memory / GIGA:.3g} GB (run.memory in the config). With {needed / GIGA:.3g} "
            "GB free on the disk of the workspace they would be decoded once."
        )
    with ExitStack() as stack:
        shelf = None
        if len(bands) > 1 and shelved:
            shelf = stack.enter_context(Shelf(work.workspace.root, plan.frame_bytes))

        def decode(order: Sequence[int], rows: slice) -> Iterator[tuple[int, Decoded]]:
            if shelf is not None:
                return work.decoder.shelved(frames.path, order, rows, shelf, workers)
            pixels = frames.width * frames.height
            return work.decoder.ahead(frames.path, order, pixels, rows, workers)

        stack.enter_context(at_most(work.config.run.jobs))
        advance = stack.enter_context(
            reporter.progress(len(plan.todo) * len(bands), "merging frames")
        )
        merged, surface = merge_pixels(
            plan,
            decode,
            bands,
            room,
            moon_margin_px=options.moon_margin_px,
            bloom_px=options.bloom_px,
            progress=advance,
        )
    return plan, merged, surface


def told_of(frames: Frames, plan: Plan, made: Made) -> Told:
    """Return what `merge_one` does of frames that have been merged."""
    exposures = plan.compared.exposures
    told: Told = {}
    for k, row in enumerate(frames.row):
        why = made.left_out.get(k, "")
        if not why and exposures.ties[k] == 0 and len(frames.row) > 1:
            why = ALONE
        told[int(row)] = float(exposures.factor[k]), why
    return told


def field_of_body(
    config: Config, workspace: Workspace, frames: Frames, align: Table, side: int | None
) -> Field:
    """Return the grid of a body's merge, under the sky of greatest eclipse."""
    body = frames.camera, frames.serial
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    sigma = (floats(align, name)[frames.row] for name in ("sun_sigma", "sun_sigma_relative"))
    return field_of(
        frames,
        pointing_in_force(config, read_pointings(workspace), body),
        epoch,
        place_and_time.view_at(config, epoch),
        place_and_time.air(config),
        side=side,
        sun_sigma_px=shared_sigma(*sigma),
    )
