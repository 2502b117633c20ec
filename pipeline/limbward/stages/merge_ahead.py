"""Merging in pieces ahead of a run, which finds the pieces and joins them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import ceil
from pathlib import Path

from limbward.config import Config
from limbward.radiance.bands import bands_of
from limbward.runs.records import Records
from limbward.stages.merge import STAGE, asked_for, decoder_of, merge_key
from limbward.stages.merge_one import Work, compared
from limbward.stages.merge_pieces import MergePieces
from limbward.work.memory import allowed_memory
from limbward.work.reporting import SilentReporter
from limbward.workspace import Workspace
from limbward.workspace.stored import read_stage_table


@dataclass(frozen=True)
class Ahead:
    """The pieces of one body's merge.

    Attributes
    ----------
    name : str
        By which they are found.
    decodings : int
        Pieces that decode frames, all of which come before those that merge.
    bands : int
        Pieces that merge.
    """

    name: str
    decodings: int
    bands: int


def prepare_merge(config: Config, workspace: Workspace, frames_per_task: int) -> list[Ahead]:
    """Compare the frames of a merge and cut it into pieces, if it is worth it.

    Parameters
    ----------
    config : Config
    workspace : Workspace
        Whose frames are registered.
    frames_per_task : int
        A body of more frames is merged in as many bands as these go into it, so that a piece costs
        as much as merging so many frames.

    Returns
    -------
    list of Ahead
        One for each body that is cut; empty if the merge is up to date, too.
    """
    if Records(config, workspace).is_current(STAGE):
        return []
    asked = asked_for(config, workspace, SilentReporter())
    large = [(c, f) for c, f in asked.found if len(c.frames.row) > frames_per_task]
    if not large:
        return []
    key, options, out = merge_key(config, workspace), config.merge, []
    with decoder_of(config, workspace, asked.ingest) as decoder:
        work = Work(
            config, workspace, SilentReporter(), asked.files, asked.ingest, decoder, key
        )  # fmt: skip
        for candidate, field in large:
            frames = candidate.frames
            pieces = MergePieces(workspace, key, frames)
            found = pieces.prepared()
            if found is None:
                plan = compared(work, frames, field)
                bands, _ = plan.bands(allowed_memory(config.run.memory), decoder.workers)
                number = max(len(bands), ceil(len(frames.row) / frames_per_task))
                merging = plan.merging(options.moon_margin_px, options.bloom_px)
                pieces.prepare(plan, merging, bands_of(field.grid, number))
                found = pieces.prepared()
            if found is not None:
                decodings = ceil(len(frames.row) / frames_per_task)
                out.append(Ahead(pieces.name, decodings, len(found.bands)))
    return out


def decode_part(config: Config, workspace: Workspace, of: Ahead, part: int) -> None:
    """Decode every ``of.decodings``-th frame of a merge to files, from number ``part`` on."""
    pieces = MergePieces.named(workspace, of.name)
    prepared = pieces.prepared()
    if prepared is None:
        return
    ingest = read_stage_table(workspace, "ingest")
    paths = [Path(path) for path in prepared.paths]
    pixels = prepared.merging.frame_height * prepared.frame_width
    with decoder_of(config, workspace, ingest) as decoder:
        numbers = range(part, len(paths), of.decodings)
        pieces.decode(numbers, partial(decoder.ahead, paths, pixels=pixels))


def merge_part(workspace: Workspace, of: Ahead, band: int) -> None:
    """Merge a band of a merge whose frames have been decoded.

    Raises
    ------
    LimbwardError
        If one of them has not.
    """
    MergePieces.named(workspace, of.name).merge(band)
