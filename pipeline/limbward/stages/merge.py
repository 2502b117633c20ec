"""The merge: registered frames of totality to one linear corona, or filtered ones to the Sun."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.response import Response
from limbward.config import Config, place_and_time
from limbward.radiance.selection import DISPLAY_REFERRED, Files, without_lines
from limbward.runs.stage import Stage
from limbward.stages.merge_bodies import bodies_to_merge, merge_bodies
from limbward.stages.merge_one import ALONE, Work, merge_one
from limbward.stages.sun_picture import choose_filtered, stack_filtered
from limbward.work.decoding import Decoder
from limbward.work.executors import crew
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, masked_floats, masked_texts, texts
from limbward.workspace.earlier import keep_better
from limbward.workspace.responses import read_responses
from limbward.workspace.stored import read_stage_tables

Floats = NDArray[np.float64]


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write tables/merge.ecsv and corona.fits, or, where it was not total, sun.fits.

    Raises
    ------
    ConfigError
        If ``merge.camera`` names no camera of the dump.
    LimbwardError
        If no frame could be decoded.
    """
    ingest, timing, align = read_stage_tables(workspace, "ingest", "timing", "align")
    note = np.full(len(ingest), "", dtype=object)
    relative = np.full(len(ingest), np.nan)
    used = np.zeros(len(ingest), bool)
    files = _files(config, ingest, timing, align)
    if config.merge.camera is None and config.merge.cameras is None:
        files = without_lines(files, texts(ingest, "band"), note)
    found = bodies_to_merge(config, workspace, reporter, files, align, note)
    told: dict[int, tuple[float, str]] = {}
    if not found and place_and_time.eclipse(config).kind == "total":
        reporter.warn("No frame of totality can be merged, so there will be no corona.")
        keep_better(workspace, 0, reporter.warn)
    elif not found:
        keep_better(workspace, 0, reporter.warn)
        told = _stack(config, workspace, reporter, files, (ingest, align), note)
    else:
        if not found[0][0].linear:
            reporter.warn(DISPLAY_REFERRED)
        with _decoder(config, workspace, ingest) as decoder:
            work = Work(config, workspace, reporter, files, texts(ingest, "reduced"), decoder)
            told = (
                merge_one(work, *found[0]) if len(found) == 1 else merge_bodies(work, found, note)
            )
    for row, (light, why) in told.items():
        relative[row], used[row], note[row] = light, why in ("", ALONE), why
    table = Table()
    table["file"] = ingest["file"]
    table["used"] = used
    table["relative_exposure"] = masked_floats(relative)
    table["note"] = masked_texts(note)
    workspace.write_table(Workspace.table("merge"), table)


@contextmanager
def _decoder(config: Config, workspace: Workspace, ingest: Table) -> Iterator[Decoder]:
    with (
        crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands,
        Decoder(hands, *_told_of_files(config, workspace, ingest)) as decoder,
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
    filtered = choose_filtered(config, files, tables[0], note)
    if filtered is None:
        reporter.note("No filtered frame shows the Moon before the Sun well enough to be stacked.")
        return {}
    with _decoder(config, workspace, tables[0]) as decoder:
        return stack_filtered(config, workspace, reporter, files, *filtered, tables, decoder)


def _files(config: Config, ingest: Table, timing: Table, align: Table) -> Files:
    """Return what the tables know of every file."""

    def disc(name: str) -> Floats:
        return np.column_stack([floats(align, f"{name}_{p}") for p in ("x", "y", "radius")])

    phase = texts(align, "phase")
    phase = np.where(phase == "", texts(ingest, "phase"), phase)
    return Files(
        path=[config.base_dir / str(file) for file in ingest["file"]],
        usable=flags(align, "usable"),
        reduced=texts(ingest, "reduced") != "",
        linear=texts(ingest, "linear") != "False",
        phase=np.where(flags(align, "left_out"), "other", phase),
        camera=texts(ingest, "camera"),
        serial=texts(ingest, "serial"),
        width=floats(ingest, "width"),
        height=floats(ingest, "height"),
        exposure_s=floats(ingest, "exposure"),
        iso=floats(ingest, "iso"),
        f_number=floats(ingest, "f_number"),
        start_s=floats(timing, "since_greatest_s"),
        rotation_deg=floats(align, "rotation_deg"),
        sun=disc("sun"),
        moon=disc("moon"),
    )


def _told_of_files(
    config: Config, workspace: Workspace, ingest: Table
) -> tuple[dict[Path, str], dict[Path, Response]]:
    """Return the SHA-256 of the files as ingest read them, and the curves that make some linear."""
    path = [config.base_dir / str(file) for file in ingest["file"]]
    curves = read_responses(workspace)
    digests, names = texts(ingest, "sha256"), texts(ingest, "response")
    return (
        {p: digest for p, digest in zip(path, digests, strict=True) if digest},
        {p: curves[name] for p, name in zip(path, names, strict=True) if name in curves},
    )


STAGE = Stage(
    name="merge",
    run=run,
    sections=("site", "eclipse", "sky", "align", "merge"),
    reads=(
        Workspace.table("ingest"),
        Workspace.table("timing"),
        Workspace.table("align"),
        Workspace.pointing,
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
