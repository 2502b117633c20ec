"""The merge: registered frames of totality to one linear corona."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.io.fits import Header
from astropy.table import Table
from astropy.time import Time, TimeDelta
from numba import get_num_threads, set_num_threads
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, Observer, add_moon, frame_affine, world_header
from limbward.geometry.orientation import Orientation
from limbward.radiance.fits import write_picture
from limbward.radiance.linearity import linear_ceiling
from limbward.radiance.merge import Merged, MergeFrame, merge, moon_box
from limbward.radiance.relative import RelativeExposures, relative_exposures
from limbward.radiance.sky import add_sky, fit_sky, write_sky
from limbward.radiance.stack import FrameView, build_stack, weight_maps
from limbward.sky.ephemeris import SkyView, view
from limbward.sky.refraction import apparent_moon_offset, refraction_matrix
from limbward.stages import setting
from limbward.stages.merge_camera import Calibrations, Samples
from limbward.stages.merge_frames import Frames, choose
from limbward.stages.stage import Stage
from limbward.work.decoding import Decoded, Decoder
from limbward.work.executors import crew
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import masked_floats, masked_texts, texts
from limbward.workspace.stored import read_pointings, read_reduced, read_stage_tables

FEWER = 0.75  # of the frames of an earlier corona: below this it is kept


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
    frames = choose(config, ingest, timing, align, note)
    if frames is None:
        reporter.warn("No frame of totality can be merged; there will be no corona.")
        keep_better(workspace, 0, reporter)
    else:
        with (
            crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands,
            Decoder(hands, _digests(config, ingest)) as decoder,
        ):
            exposures, failed = _merge(config, workspace, reporter, ingest, frames, decoder)
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


def _merge(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    ingest: Table,
    frames: Frames,
    decoder: Decoder,
) -> tuple[RelativeExposures, dict[int, str]]:
    """Merge the frames and write corona.fits."""
    options = config.merge
    camera = _orientation(config, workspace, frames)
    side = options.size
    grid = Grid(
        side or frames.width,
        side or frames.height,
        camera.pixel_scale_arcsec,
        camera.up_position_angle,
    )
    epoch = setting.greatest(setting.eclipse(config))
    sky = view(
        epoch, setting.site(config), radii=setting.radii(config), ephemeris=config.sky.ephemeris
    )
    air = {
        "pressure_hpa": config.sky.pressure_hpa if config.sky.refraction else 0.0,
        "temperature_c": config.sky.temperature_c,
    }
    moon_at = grid.place(*apparent_moon_offset(sky, **air)[0])
    moon = Disc(*moon_at, float(sky.moon_radius_arcsec[0]) / grid.scale_arcsec)

    with reporter.progress(None, "comparing exposures"):
        samples = Samples(config, ingest, frames, decoder.read)
        views = []
        reduced = texts(ingest, "reduced")
        affines = [
            frame_affine(grid, frames.sun[k].x, frames.sun[k].y, camera, frames.rotation_deg[k])
            for k in range(len(frames.row))
        ]
        for k, i in enumerate(frames.row):
            planes, factor = _read_reduced(workspace.path(str(reduced[i])))
            iso = frames.iso[k]
            views.append(
                FrameView(
                    planes=planes,
                    factor=factor,
                    affine=affines[k],
                    exposure_s=frames.light_s[k],
                    sun=frames.sun[k],
                    moon=frames.moon[k],
                    ceiling=options.saturation * samples.range_dn,
                    noise=samples.noise[iso],
                )
            )
        stack = build_stack(views, grid, options.moon_margin_px)
        views.clear()  # 5 MB a frame, which are in the stack now
        exposures = relative_exposures(stack)
        span = np.full(len(frames.row), samples.range_dn)
        linear = linear_ceiling(stack, exposures.factor, span, options.saturation)
        weights, predicted = weight_maps(stack, exposures.factor, linear / options.saturation)
        factor = stack.factor
        noise = stack.noise
        del stack
        calibrations = Calibrations(config, ingest, frames, samples, reporter)
        if calibrations.spread is not None:  # what the flats leave of the pixels' own sensitivities
            noise = [replace(model, spread=calibrations.spread) for model in noise]
        todo = [
            MergeFrame(
                affine=affines[k],
                exposure_s=frames.light_s[k] * exposures.factor[k],
                offset=exposures.offset[k],
                moon=frames.moon[k],
                noise=noise[k],
                weight=weights[k],
                top=linear * samples.range_dn / (frames.light_s[k] * exposures.factor[k]),
            )
            for k in range(len(frames.row))
        ]
    box = moon_box(moon)
    with (
        _threads(config.run.jobs),
        reporter.progress(len(todo), "merging frames") as advance,
    ):
        rest = [k for k in range(len(todo)) if k not in samples.kept]
        ahead = decoder.ahead(frames.path, rest, frames.width * frames.height)
        merged, surface = merge(
            todo,
            chain(_kept(samples), ahead),
            grid,
            factor,
            predicted,
            calibrations,
            ceiling=linear,
            moon_margin_px=options.moon_margin_px,
            bloom_px=options.bloom_px,
            box=box,
            progress=lambda _: advance(),
        )
    if len(merged.failed) == len(todo):
        raise LimbwardError(
            f"None of the {len(todo)} frames of totality can be decoded: {merged.failed[0]}"
        )
    header = _header(config, grid, sky, epoch, frames, merged.failed, air)
    add_moon(header, moon, grid.height)
    samples.describe(header)
    for c in range(3):
        header[f"LINEAR{c + 1}"] = (float(linear[c]), "of the range, up to which frames were used")
    sun_radius_px = float(sky.sun_radius_arcsec[0]) / grid.scale_arcsec
    background = None
    if options.sky == "plane":
        background = fit_sky(merged.radiance, grid, sun_radius_px)
        if background is None:
            reporter.note("The sky cannot be told from the corona in so small a field; it is kept.")
        else:
            add_sky(merged.radiance, grid, background, -1.0)
    write_sky(header, background)
    workspace.write_json(
        Workspace.noise,
        {
            "camera": frames.camera,
            "serial": frames.serial,
            "models": samples.to_json(linear),
            "sky": None if background is None else background.level.tolist(),
        },
    )
    extensions: dict[str, NDArray[Any]] = {"SIGMA": merged.sigma, "COUNT": merged.count}
    if surface is not None:
        header["MOONLEFT"] = (box.left, "left column of the MOON extension, from 0")
        header["MOONTOP"] = (box.top, "its top row, from 0 at the top")
        extensions["MOON"] = surface.radiance
    keep_better(workspace, int(header["NFRAMES"]), reporter)
    _write(workspace, merged, header, extensions, frames, calibrations.used)
    return exposures, merged.failed


def keep_better(workspace: Workspace, frames: int, reporter: Reporter) -> None:
    """Keep the corona of an earlier run under another name if clearly more frames went into it.

    A card that came loose must not cost a good corona: that of fewer than `FEWER` of the frames
    takes its place, but not silently.

    Parameters
    ----------
    workspace : Workspace
    frames : int
        Merged now; 0 if there will be no corona.
    reporter : Reporter
    """
    path = workspace.path(Workspace.corona)
    try:
        before = int(fits.getheader(path).get("NFRAMES", 0))
    except (OSError, ValueError, TypeError, fits.VerifyError):
        return  # none, or one that is damaged
    if frames >= FEWER * before:
        return
    kept = workspace.keep(Workspace.corona, always=True)
    reporter.warn(
        f"Only {frames} frames can be merged now; {before} went into the corona of the run before, "
        f"which is kept as {kept}. Are all the cards connected?"
    )


def _digests(config: Config, ingest: Table) -> dict[Path, str]:
    """Return the SHA-256 of the files as ingest read them, by their paths."""
    digests = zip(texts(ingest, "file"), texts(ingest, "sha256"), strict=True)
    return {config.base_dir / file: digest for file, digest in digests if digest}


def _kept(samples: Samples) -> Iterator[tuple[int, Decoded]]:
    """Yield the frames that are decoded already, and let go of each."""
    while samples.kept:
        k = next(iter(samples.kept))
        yield k, samples.kept.pop(k)


@contextmanager
def _threads(jobs: int | None) -> Iterator[None]:
    """Let the kernels use as many threads as there are to be processes at work."""
    before: int = get_num_threads()
    set_num_threads(max(1, min(jobs or before, before)))
    try:
        yield
    finally:
        set_num_threads(before)


def _orientation(config: Config, workspace: Workspace, frames: Frames) -> Orientation:
    """Return how the camera stood at greatest eclipse: measured, or as the config says."""
    body = frames.camera, frames.serial
    pointing = setting.pointing(config, read_pointings(workspace), body)
    if pointing is None:
        raise LimbwardError(
            f"The orientation of {frames.camera} is not known; give align.up_position_angle and "
            "align.pixel_scale_arcsec in the config."
        )
    return pointing.orientation


def _read_reduced(path: Path) -> tuple[NDArray[np.float32], int]:
    stored = read_reduced(path, ("planes", "factor"))
    return stored["planes"], int(stored["factor"])


def _header(
    config: Config,
    grid: Grid,
    sky: SkyView,
    epoch: Time,
    frames: Frames,
    failed: dict[int, str],
    air: dict[str, float],
) -> Header:
    good = np.array([k not in failed for k in range(len(frames.row))])
    start, length = frames.start_s[good], frames.exposure_s[good]
    observer = Observer(
        solar_north=float(sky.sun_axis_position_angle[0]),
        zenith=float(sky.parallactic_angle[0]),
        b0=float(sky.sun_b0[0]),
        l0=float(sky.sun_l0[0]),
        distance_km=float(sky.sun_distance_km[0]),
        sun_radius_arcsec=float(sky.sun_radius_arcsec[0]),
        sun_radius_km=config.sky.solar_radius_km,
    )

    def at(seconds: float) -> Time:
        return epoch + TimeDelta(seconds, format="sec")

    header = world_header(
        grid,
        observer,
        at(float(start.min())),
        at(float((start + length / 2.0).mean())),
        at(float((start + length).max())),
        refraction=refraction_matrix(sky, **air)[0],
    )
    header["BUNIT"] = ("adu/s", f"at ISO {frames.iso_reference:.0f}")
    header["ISOREF"] = (frames.iso_reference, "ISO to which radiances refer")
    header["FNUMREF"] = (frames.f_reference, "f-number to which radiances refer")
    header["CAMERA"], header["SERIALNO"] = frames.camera, frames.serial
    header["NFRAMES"] = (int(good.sum()), "frames merged")
    header["EXPTOTAL"] = (float(length.sum()), "s, sum of the exposures")
    return header


def _write(
    workspace: Workspace,
    merged: Merged,
    header: Header,
    extensions: dict[str, NDArray[Any]],
    frames: Frames,
    calibration: list[str],
) -> None:
    n = len(frames.row) - len(merged.failed)
    history = [
        f"Linear merge of {n} raw frames, registered on the Sun's centre, rows from the bottom.",
        "Weights from the predicted radiance and the camera's noise (Granados et al. 2010).",
        *calibration,
    ]
    with workspace.writing(Workspace.corona) as part:
        write_picture(part, merged.radiance, header, extensions, history)


STAGE = Stage(
    name="merge",
    run=run,
    sections=("site", "eclipse", "sky", "align", "merge"),
    reads=(
        Workspace.table("ingest"),
        Workspace.table("timing"),
        Workspace.table("align"),
        Workspace.pointing,
        Workspace.reduced,
    ),
    writes=(Workspace.corona, Workspace.noise, Workspace.table("merge")),
)
