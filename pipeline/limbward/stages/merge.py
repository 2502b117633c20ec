"""The merge: registered frames of totality to one linear corona."""

from __future__ import annotations

from itertools import chain
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.grid import Grid
from limbward.geometry.pointing import camera_up
from limbward.radiance.batch import Limits
from limbward.radiance.comparison import compare, frames_to_merge
from limbward.radiance.corona import without_sky, write_corona
from limbward.radiance.field import Field, describe_field
from limbward.radiance.linearity import describe_range
from limbward.radiance.masters import Masters
from limbward.radiance.merge import merge, moon_box
from limbward.radiance.noise import NoiseRecord
from limbward.radiance.relative import RelativeExposures
from limbward.radiance.selection import Files, Frames, calibration_files, choose
from limbward.radiance.survey import Survey
from limbward.radiance.veil import cloud_record, cloud_warning
from limbward.sky.ephemeris import view
from limbward.stages import place_and_time
from limbward.stages.pointing import pointing_in_force
from limbward.stages.stage import Stage
from limbward.work.decoding import Decoder
from limbward.work.executors import crew, threads
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, masked_floats, masked_texts, texts
from limbward.workspace.earlier import keep_better
from limbward.workspace.noise import write_noise
from limbward.workspace.responses import read_responses
from limbward.workspace.stored import read_planes, read_pointings, read_stage_tables

Floats = NDArray[np.float64]


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write corona.fits and tables/merge.ecsv.

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
    names = texts(ingest, "reduced")
    curves = read_responses(workspace)
    responses = {
        config.base_dir / str(file): curves[name]
        for file, name in zip(ingest["file"], texts(ingest, "response"), strict=True)
        if name in curves
    }
    frames = choose(files, config.merge.camera, config.where("merge", "camera"), note)
    if frames is None:
        reporter.warn("No frame of totality can be merged; there will be no corona.")
        keep_better(workspace, 0, reporter.warn)
    else:
        shared = _shared_sigma(align, frames.row)
        if not frames.linear:
            reporter.warn(
                "All frames of totality are display-referred (encoded for a display). They are "
                "merged by the curve that they declare, or that their brackets tell, for a "
                "picture: the corona's brightness is no measurement. Export linear 16-bit TIFFs or "
                "use the RAW files for one."
            )
        with (
            crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands,
            Decoder(hands, _digests(config, ingest), responses) as decoder,
        ):
            exposures, failed = _merge(
                config, workspace, reporter, files, frames, names, decoder, shared
            )
        relative[frames.row] = exposures.factor
        used[frames.row] = True
        for k, why in failed.items():
            used[frames.row[k]] = False
            note[frames.row[k]] = why
        alone = (exposures.ties == 0) & used[frames.row]
        if len(frames.row) > 1:
            note[frames.row[alone]] = "its exposure could not be compared with another's"
    table = Table()
    table["file"] = ingest["file"]
    table["used"] = used
    table["relative_exposure"] = masked_floats(relative)
    table["note"] = masked_texts(note)
    workspace.write_table(Workspace.table("merge"), table)


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


def _digests(config: Config, ingest: Table) -> dict[Path, str]:
    """Return the SHA-256 of the files as ingest read them, by their paths."""
    digests = zip(texts(ingest, "file"), texts(ingest, "sha256"), strict=True)
    return {config.base_dir / file: digest for file, digest in digests if digest}


def _merge(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    files: Files,
    frames: Frames,
    names: NDArray[np.object_],
    decoder: Decoder,
    shared: float,
) -> tuple[RelativeExposures, dict[int, str]]:
    """Merge the frames and write corona.fits."""
    options = config.merge
    field = _field(config, workspace, frames, shared)
    with reporter.progress(None, "comparing exposures"):
        calibrating = calibration_files(files, frames)
        survey = Survey(calibrating, frames, decoder.read)
        masters = Masters(calibrating, frames, survey, reporter.warn)
        reduced = (
            (masters.flatten(planes, factor), factor)
            for planes, factor in (read_planes(workspace.path(str(names[i]))) for i in frames.row)
        )
        compared = compare(
            frames, reduced, field, survey, options.linear_up_to, options.moon_margin_px
        )
        todo = frames_to_merge(frames, compared, survey.range_adu, masters.spread)
    box = moon_box(field.moon)
    with threads(config.run.jobs), reporter.progress(len(todo), "merging frames") as advance:
        rest = [k for k in range(len(todo)) if k not in survey.kept]
        ahead = decoder.ahead(frames.path, rest, frames.width * frames.height)
        merged, surface = merge(
            todo,
            chain(survey.released(), ahead),
            field.grid,
            compared.factor,
            compared.predicted,
            masters,
            limits=Limits(compared.linear, options.moon_margin_px, options.bloom_px, survey.white),
            box=box,
            change=compared.veil.change if compared.veil.cloudy else None,
            progress=advance,
        )
    if len(merged.failed) == len(todo):
        raise LimbwardError(
            f"None of the {len(todo)} frames of totality can be decoded: {merged.failed[0]}"
        )
    left_out = {**compared.left_out, **merged.failed}
    if compared.veil.cloudy:
        reporter.warn(cloud_warning(compared.veil))
    if compared.ghost is not None:
        reporter.warn(compared.ghost.words())
    header = describe_field(field, frames, left_out, config.sky.solar_radius_km)
    survey.describe(header)
    describe_range(header, compared.linear)
    taken_off = field.sun_radius_px if options.background == "plane" else None
    corona = without_sky(merged, surface, box, header, field.grid, taken_off)
    if taken_off is not None and corona.sky is None:
        reporter.note("The sky cannot be told from the corona in so small a field; it is kept.")
    level = None if corona.sky is None else corona.sky.level.tolist()
    models = survey.models(compared.linear)
    ghost = None if compared.ghost is None else compared.ghost.record()
    record = NoiseRecord(
        frames.camera, frames.serial, models, level, ghost, cloud_record(compared.veil)
    )
    write_noise(workspace, record)
    keep_better(workspace, int(header["NFRAMES"]), reporter.warn)
    with workspace.writing(Workspace.corona) as part:
        write_corona(part, corona, masters.used)
    return compared.exposures, left_out


def _shared_sigma(align: Table, rows: NDArray[np.int64]) -> float:
    """Return the error of the Sun's centre that all merged frames share, pixels."""
    total, relative = floats(align, "sun_sigma")[rows], floats(align, "sun_sigma_relative")[rows]
    return float(np.median(np.sqrt(np.maximum(total**2 - relative**2, 0.0))))


def _field(config: Config, workspace: Workspace, frames: Frames, shared: float) -> Field:
    """Return the grid of the merge, under the sky of greatest eclipse."""
    body = frames.camera, frames.serial
    pointing = pointing_in_force(config, read_pointings(workspace), body)
    side, air = config.merge.size, place_and_time.air(config)
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    seen = view(
        epoch,
        place_and_time.site(config),
        radii=place_and_time.radii(config),
        ephemeris=config.sky.ephemeris,
    )
    if pointing is None:
        # Align has measured the scale by the Moon, and kept it as the Sun's size.
        sun = float(np.median([disc.radius for disc in frames.sun]))
        pointing = camera_up(body, float(seen.sun_radius_arcsec[0]) / sun)
    camera = pointing.orientation
    return Field(
        grid=Grid(
            side or frames.width,
            side or frames.height,
            camera.pixel_scale_arcsec,
            camera.up_position_angle,
        ),
        camera=camera,
        epoch=epoch,
        sky=seen,
        pressure_hpa=air.pressure_hpa,
        temperature_c=air.temperature_c,
        north_known=pointing.north_known,
        sun_sigma_px=shared,
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
    writes=(Workspace.corona, Workspace.noise, Workspace.table("merge")),
)
