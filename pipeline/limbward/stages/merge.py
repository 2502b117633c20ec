"""The merge: registered frames of totality to one linear corona, or filtered ones to the Sun."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.response import Response
from limbward.compiled import at_most
from limbward.config import Config
from limbward.radiance.assembly import make_corona, plan_merge
from limbward.radiance.corona import write_corona
from limbward.radiance.field import Field, field_of, shared_sigma
from limbward.radiance.relative import RelativeExposures
from limbward.radiance.selection import DISPLAY_REFERRED, Files, Frames, choose, without_lines
from limbward.stages import place_and_time
from limbward.stages.pointing import pointing_in_force
from limbward.stages.stage import Stage
from limbward.stages.sun_picture import choose_filtered, stack_filtered
from limbward.work.decoding import Decoder
from limbward.work.executors import crew
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, masked_floats, masked_texts, texts
from limbward.workspace.earlier import keep_better
from limbward.workspace.noise import write_noise
from limbward.workspace.responses import read_responses
from limbward.workspace.stored import read_planes, read_pointings, read_stage_tables

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
    if config.merge.camera is None:
        files = without_lines(files, texts(ingest, "band"), note)
    frames = choose(files, config.merge.camera, config.where("merge", "camera"), note)
    total = place_and_time.eclipse(config).kind == "total"
    if frames is None and total:
        reporter.warn("No frame of totality can be merged, so there will be no corona.")
        keep_better(workspace, 0, reporter.warn)
    elif frames is None:
        keep_better(workspace, 0, reporter.warn)
        told = _stack(config, workspace, reporter, files, (ingest, align), note)
        for row, (light, why) in told.items():
            relative[row], used[row], note[row] = light, not why, why
    else:
        if not frames.linear:
            reporter.warn(DISPLAY_REFERRED)
        field = _field(config, workspace, frames, align)
        reduced = texts(ingest, "reduced")
        with _decoder(config, workspace, ingest) as decoder:
            exposures, left_out = _merge(
                config, workspace, reporter, files, frames, field, reduced, decoder
            )
        relative[frames.row] = exposures.factor
        used[frames.row] = True
        for k, why in left_out.items():
            used[frames.row[k]] = False
            note[frames.row[k]] = why
        alone = (exposures.ties == 0) & used[frames.row]
        if len(frames.row) > 1:
            note[frames.row[alone]] = "its exposure could not be compared with that of any other "
            "frame"
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


def _merge(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    files: Files,
    frames: Frames,
    field: Field,
    reduced: NDArray[np.object_],
    decoder: Decoder,
) -> tuple[RelativeExposures, dict[int, str]]:
    """Merge the frames and write corona.fits; return their exposures and which are left out."""
    options = config.merge
    with reporter.progress(None, "comparing exposures"):
        plan = plan_merge(
            files,
            frames,
            field,
            lambda row: read_planes(workspace.path(str(reduced[row]))),
            decoder.read,
            linear_up_to=options.linear_up_to,
            moon_margin_px=options.moon_margin_px,
            warn=reporter.warn,
        )
    pixels = frames.width * frames.height
    with at_most(config.run.jobs), reporter.progress(len(plan.todo), "merging frames") as advance:
        made = make_corona(
            plan,
            decoder.ahead(frames.path, plan.undecoded, pixels),
            moon_margin_px=options.moon_margin_px,
            bloom_px=options.bloom_px,
            take_sky_off=options.background == "plane",
            solar_radius_km=config.sky.solar_radius_km,
            progress=advance,
        )
    for warning in made.warnings:
        reporter.warn(warning)
    for note in made.notes:
        reporter.note(note)
    write_noise(workspace, made.record)
    keep_better(workspace, int(made.corona.header["NFRAMES"]), reporter.warn)
    with workspace.writing(Workspace.corona) as part:
        write_corona(part, made.corona, made.calibration)
    return plan.compared.exposures, made.left_out


def _field(config: Config, workspace: Workspace, frames: Frames, align: Table) -> Field:
    """Return the grid of the merge, under the sky of greatest eclipse."""
    body = frames.camera, frames.serial
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    sigma = (floats(align, name)[frames.row] for name in ("sun_sigma", "sun_sigma_relative"))
    return field_of(
        frames,
        pointing_in_force(config, read_pointings(workspace), body),
        epoch,
        place_and_time.view_at(config, epoch),
        place_and_time.air(config),
        side=config.merge.size,
        sun_sigma_px=shared_sigma(*sigma),
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
    writes=(Workspace.corona, Workspace.sun, Workspace.noise, Workspace.table("merge")),
)
