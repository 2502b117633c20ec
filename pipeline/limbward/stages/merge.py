"""The merge: registered frames of totality to one linear corona, or filtered ones to the Sun."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.bands import is_narrow
from limbward.config import Config, place_and_time
from limbward.radiance.field import Field
from limbward.radiance.join.choice import Candidate
from limbward.radiance.selection import DISPLAY_REFERRED, Files, without_lines
from limbward.runs.records import Records
from limbward.runs.stage import Stage
from limbward.stages.merge_bodies import bodies_to_merge, merge_bodies
from limbward.stages.merge_one import Work, merge_one
from limbward.stages.merge_pieces import FOLDER, remove_pieces
from limbward.stages.sun_picture import filtered_to_stack, stack_filtered
from limbward.work.decoding import Decoder
from limbward.work.executors import crew
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import texts
from limbward.workspace.earlier import keep_better
from limbward.workspace.merge_table import Told, files_of, write_merge
from limbward.workspace.responses import curves_of_rows
from limbward.workspace.stored import read_stage_tables

Floats = NDArray[np.float64]

SEE_CHROMOSPHERE = (
    " `limbward chromosphere CONFIG` makes a picture from the frames in the light of a spectral "
    "line."
)


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write tables/merge.ecsv and corona.fits, or, where it was not total, sun.fits.

    Raises
    ------
    ConfigError
        If ``merge.camera`` names no camera of the dump.
    LimbwardError
        If no frame could be decoded.
    """
    asked = asked_for(config, workspace, reporter)
    ingest, align, note = asked.ingest, asked.align, asked.note
    files, found = asked.files, asked.found
    told: Told = {}
    if not found:
        total = place_and_time.eclipse(config).kind == "total"
        if total:
            only_lines = any(is_narrow(band) for band in texts(ingest, "band"))
            reporter.warn(
                "No frame of totality can be merged, so there will be no corona."
                + (SEE_CHROMOSPHERE if only_lines else "")
            )
        keep_better(workspace, 0, reporter.warn)
        if not total:
            told = _stack(config, workspace, reporter, files, (ingest, align), note)
    else:
        if not found[0][0].linear:
            reporter.warn(DISPLAY_REFERRED)
        with decoder_of(config, workspace, ingest) as decoder:
            key = merge_key(config, workspace) if workspace.path(FOLDER).is_dir() else ""
            work = Work(config, workspace, reporter, files, ingest, decoder, key)
            told = (
                merge_one(work, *found[0]) if len(found) == 1 else merge_bodies(work, found, note)
            )
    write_merge(workspace, ingest, told, note)
    remove_pieces(workspace)


@dataclass(frozen=True)
class Asked:
    """What is to be merged.

    Attributes
    ----------
    files : Files
    ingest, align : Table
        Of these stages.
    found : list of (Candidate, Field)
        The bodies that are merged.
    note : ndarray of object
        A sentence for each usable frame that is left out.
    """

    files: Files
    ingest: Table
    align: Table
    found: list[tuple[Candidate, Field]]
    note: NDArray[np.object_]


def asked_for(config: Config, workspace: Workspace, reporter: Reporter) -> Asked:
    """Return what is to be merged.

    Raises
    ------
    ConfigError
        If ``merge.camera`` names no camera of the dump.
    """
    ingest, timing, align = read_stage_tables(workspace, "ingest", "timing", "align")
    note = np.full(len(ingest), "", dtype=object)
    files = files_of(config.base_dir, ingest, timing, align)
    if config.merge.camera is None and config.merge.cameras is None:
        files = without_lines(files, texts(ingest, "band"), note)
    found = bodies_to_merge(config, workspace, reporter, files, align, note)
    return Asked(files, ingest, align, found, note)


def merge_key(config: Config, workspace: Workspace) -> str:
    """Return a digest of all that a merge is made from."""
    records = Records(config, workspace)
    made_from = records.causes(STAGE), records.digests(STAGE.inputs(config))
    return hashlib.sha256(json.dumps(made_from, sort_keys=True).encode()).hexdigest()


@contextmanager
def decoder_of(config: Config, workspace: Workspace, ingest: Table) -> Iterator[Decoder]:
    """Decode frames in other processes, as ingest read them and by the curves that it found."""
    paths = [config.base_dir / str(file) for file in ingest["file"]]
    digests = dict(zip(paths, texts(ingest, "sha256"), strict=True))
    curves = dict(zip(paths, curves_of_rows(workspace, ingest), strict=True))
    with (
        crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands,
        Decoder(
            hands,
            {path: digest for path, digest in digests.items() if digest},
            {path: curve for path, curve in curves.items() if curve is not None},
            workspace.root,
        ) as decoder,
    ):
        yield decoder


def _stack(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    files: Files,
    tables: tuple[Table, Table],
    note: NDArray[np.object_],
) -> dict[int, tuple[float, str]]:
    """Stack the filtered Sun; return what `stack_filtered` does, nothing where there is none."""
    ingest = tables[0]
    filtered = filtered_to_stack(config, files, ingest, note)
    if filtered is None:
        reporter.note("No filtered frame shows the Moon before the Sun well enough to be stacked.")
        return {}
    with decoder_of(config, workspace, ingest) as decoder:
        return stack_filtered(config, workspace, reporter, files, *filtered, tables, decoder)


STAGE = Stage(
    name="merge",
    run=run,
    sections=("site", "eclipse", "sky", "align", "merge", "bodies"),
    reads=(
        Workspace.table("ingest"),
        Workspace.table("timing"),
        Workspace.table("align"),
        Workspace.pointing,
        Workspace.stars,
        Workspace.responses,
        Workspace.reduced,
    ),
    writes=(
        Workspace.corona,
        Workspace.sun,
        Workspace.noise,
        Workspace.table("merge"),
        Workspace.table("bodies"),
        Workspace.table("shares"),
    ),
)
