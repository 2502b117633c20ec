"""The wide frames of a card: which they are, measured and solved."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.camera.choice import camera_of_most
from limbward.camera.response import Response
from limbward.clock.readings import seconds_from
from limbward.config import Config, place_and_time
from limbward.errors import ConfigError, LimbwardError
from limbward.landscape.choice import focals, of_one_lens, sensitivity, whole_bodies
from limbward.landscape.develop import Developed, develop_file, see_file
from limbward.landscape.heavens import heavens
from limbward.landscape.session import Frame, Known, solve_session
from limbward.landscape.solved import Solved
from limbward.work.executors import crew, local_crew
from limbward.work.map import Failure, FileMap, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.ingest_table import pictures_of
from limbward.workspace.responses import read_responses
from limbward.workspace.stored import read_stage_tables

Floats = NDArray[np.float64]
Told = tuple[Path, str, Response | None]  # what it takes to decode a frame
Developer = Callable[..., Developed | str]

CLOCK_REACH_S, ANY_ZONE_S = 900.0, 14.5 * 3600.0
# The stage timing's clock is taken if it dates nearly all frames so well: crescents of a few
# pixels, which it measures as it would large ones, say little, and their light says more.
TOLD_S, TOLD_SHARE = 3.0, 0.9


@dataclass(frozen=True)
class WideFrames:
    """The wide frames of one camera and lens: solved, and how each of them is decoded."""

    solved: Solved
    told: list[Told]
    notes: list[str]


@dataclass(frozen=True)
class Made:
    """The files that are written, and what is to be said of them."""

    files: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def picture(self, frame: Developed | str) -> Developed | None:
        """Return a frame; None if it could not be decoded, of which a note is taken."""
        if isinstance(frame, str):
            self.notes.append(frame)
            return None
        return frame


def as_pixels(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return bytes (h, w, 3) as writers take them."""
    return np.moveaxis(picture, -1, 0).astype(np.float32) / np.float32(255.0)


def read_wide(config: Config, workspace: Workspace, reporter: Reporter) -> WideFrames:
    """Measure and solve the wide frames of a workspace whose stage timing has run.

    Raises
    ------
    ConfigError
        If no camera has the wanted name.
    LimbwardError
        If there are no wide frames, or the Sun shows in none of them.
    """
    ingest, timing = read_stage_tables(workspace, "ingest", "timing")
    rows, focal_mm, notes = _chosen(config, ingest)
    ingest, timing = ingest[rows], timing[rows]
    epoch, air = place_and_time.greatest(place_and_time.eclipse(config)), place_and_time.air(config)
    sky = heavens(
        epoch, place_and_time.site(config), faintest=config.landscape.faintest,
        radii=place_and_time.radii(config), ephemeris=config.sky.ephemeris,
        pressure_hpa=air.pressure_hpa, temperature_c=air.temperature_c,
    )  # fmt: skip
    reading, timed, sigma, zone = _readings(config, ingest, timing, epoch)
    exposure = np.nan_to_num(floats(ingest, "exposure"))
    light = sensitivity(*(floats(ingest, name) for name in ("exposure", "iso", "f_number")))
    responses = read_responses(workspace)
    names = [str(f) for f in texts(ingest, "file")]
    told = [
        (config.base_dir / name, str(digest), responses.get(answer))
        for name, digest, answer in zip(
            names, texts(ingest, "sha256"), texts(ingest, "response"), strict=True
        )
    ]
    seen = _seen(config, reporter, told)
    kept = [k for k, s in enumerate(seen) if not isinstance(s, str)]
    notes += [s for s in seen if isinstance(s, str)]
    frames = [Frame(float(reading[k] + 0.5 * exposure[k]), float(light[k]), seen[k]) for k in kept]
    width, pitch = frames[0].seen.width if frames else 0, floats(ingest, "pixel_pitch_um")
    known = Known(
        focals(focal_mm, width, config.landscape.sensor_width_mm, pitch),
        0.3 if focal_mm is None else 0.05,
        0.0 if timed or zone is None else 3600.0 * zone,
        ANY_ZONE_S if zone is None else CLOCK_REACH_S,
        sigma if timed else None,
        config.landscape.faintest,
    )
    session = solve_session(frames, sky, known) if frames else None
    if session is None:
        raise LimbwardError(
            "The Sun shows in none of the wide frames that have a time, so nothing tells where "
            "they look."
        )
    solved = Solved([names[k] for k in kept], frames, exposure[kept], session, sky, timed, zone)
    return WideFrames(solved, [told[k] for k in kept], notes)


def named_frame(config: Config, solved: Solved, key: str, name: str) -> int:
    """Return the number of a frame by its name or the end of its path.

    Raises
    ------
    ConfigError
        If it is none of the wide frames, or not solved.
    """
    for k, file in enumerate(solved.file):
        if file == name or PurePosixPath(file).name == name or file.endswith(f"/{name}"):
            if not solved.placed[k]:
                raise ConfigError(
                    f"{config.where('landscape', key)}: nothing in {file} tells where it looks; "
                    "choose a frame with the Sun in it, or one between two such frames."
                )
            return k
    raise ConfigError(
        f"{config.where('landscape', key)}: {name!r} is none of the {len(solved.file)} wide "
        f"frames; the first is {solved.file[0]}."
    )


@contextmanager
def developer(config: Config, wide: WideFrames) -> Iterator[Developer]:
    """Lend a function that decodes a frame by its number, or says why it cannot be.

    Its second argument, if given, is the longer side of the result in place of that in the config.
    """
    with FileMap(local_crew(1), again="run it again") as decoder:

        def developed(k: int, side: int = config.landscape.up_to_px) -> Developed | str:
            path = wide.told[k][0]
            result = decoder.one(develop_file, Task(k, path, (*wide.told[k], side)))
            return result.sentence if isinstance(result, Failure) else result

        yield developed


def _chosen(config: Config, ingest: Table) -> tuple[NDArray[np.int64], float | None, list[str]]:
    """Return the rows of the wide frames of one camera and lens, and its focal length."""
    options = config.landscape
    focal = floats(ingest, "focal_length")
    known = np.where(np.isfinite(focal), focal, np.nan if options.focal_mm is None else 1.0)
    usable = pictures_of(ingest) & (known <= options.longest_mm)
    bodies = whole_bodies(texts(ingest, "camera").tolist(), texts(ingest, "serial").tolist())
    try:
        body = camera_of_most(bodies, usable, options.camera)
    except LookupError as error:
        raise ConfigError(f"{config.where('landscape', 'camera')}: {error}") from error
    if body is None:
        raise LimbwardError(
            f"No frame was taken with a lens of {options.longest_mm:g} mm or less. If the files do "
            "not tell the focal length, give landscape.focal_mm; landscape.longest_mm is the limit."
        )
    usable &= np.array([b == body for b in bodies], bool)
    usable, own, notes = of_one_lens(focal, usable)
    rows = np.flatnonzero(usable)
    order = np.lexsort((rows, floats(ingest, "sequence")[rows]))
    return rows[order], options.focal_mm or own, notes


def _readings(
    config: Config, ingest: Table, timing: Table, epoch: Time
) -> tuple[Floats, bool, float, float | None]:
    """Return starts of exposures, seconds from the epoch; whether they are UTC; error; zone."""
    tags = floats(ingest, "offset_tag_hours")
    told = np.isfinite(tags)
    zone = config.timing.utc_offset_hours
    if zone is None and told.any():
        zone = float(np.median(tags[told]))
    true, sigma = floats(timing, "since_greatest_s"), floats(timing, "time_utc_sigma")
    dated = np.isfinite(true) & (np.nan_to_num(sigma, nan=np.inf) < TOLD_S)
    if config.landscape.clock == "auto" and dated.mean() > TOLD_SHARE:
        return np.where(dated, true, np.nan), True, max(float(np.median(sigma[dated])), 0.1), zone
    stamps = seconds_from(epoch.utc.to_datetime(), texts(ingest, "time_camera"))
    # A tag in whole seconds is cut off: half a second on the average.
    return stamps + np.where(flags(ingest, "has_subsec"), 0.0, 0.5), False, np.inf, zone


def _seen(config: Config, reporter: Reporter, told: list[Told]) -> list[Any]:
    """Return each frame as measured, or the sentence that says why it could not be read."""
    found: list[Any] = [""] * len(told)
    with (
        reporter.progress(len(told), "wide frames") as advance,
        crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands,
        FileMap(hands, again="run it again") as files,
    ):
        tasks = (Task(k, t[0], (*t, config.landscape.up_to_px)) for k, t in enumerate(told))
        for task, result in files.each(see_file, tasks):
            found[task.key] = result.sentence if isinstance(result, Failure) else result
            advance()
    return found
