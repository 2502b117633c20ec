"""The wide frames of a card: which they are, measured and solved."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

from limbward.config import Config, place_and_time
from limbward.errors import ConfigError, LimbwardError
from limbward.landscape.choice import focals, sensitivity
from limbward.landscape.develop import Developed, develop_file, see_file
from limbward.landscape.heavens import heavens
from limbward.landscape.session import Frame, known_of, solve_session
from limbward.landscape.solved import Solved
from limbward.products.wide_output import Developer
from limbward.work.executors import crew, local_crew
from limbward.work.map import Failure, FileMap, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, texts
from limbward.workspace.stored import read_stage_tables
from limbward.workspace.wide import Decoding, dated, decodings, read_off, wide_rows, zone_of


@dataclass(frozen=True)
class WideFrames:
    """The wide frames of one camera and lens: solved, and how each of them is decoded."""

    solved: Solved
    decodings: list[Decoding]
    notes: list[str]


def read_wide(config: Config, workspace: Workspace, reporter: Reporter) -> WideFrames:
    """Measure and solve the wide frames of a workspace whose stage timing has run.

    Raises
    ------
    ConfigError
        If no camera has the wanted name.
    LimbwardError
        If there are no wide frames, or the Sun shows in none of them.
    """
    options = config.landscape
    ingest, timing = read_stage_tables(workspace, "ingest", "timing")
    try:
        rows, own_mm, notes = wide_rows(
            ingest, options.longest_mm, options.focal_mm, options.camera
        )
    except LookupError as error:
        raise ConfigError(f"{config.where('landscape', 'camera')}: {error}") from error
    if not rows.size:
        raise LimbwardError(
            f"No frame was taken with a lens of {options.longest_mm:g} mm or less. If the files do "
            "not tell the focal length, give landscape.focal_mm; landscape.longest_mm is the limit."
        )
    ingest, timing = ingest[rows], timing[rows]
    epoch, air = place_and_time.greatest(place_and_time.eclipse(config)), place_and_time.air(config)
    sky = heavens(
        epoch, place_and_time.site(config), faintest=options.faintest,
        radii=place_and_time.radii(config), ephemeris=config.sky.ephemeris,
        pressure_hpa=air.pressure_hpa, temperature_c=air.temperature_c,
    )  # fmt: skip
    told = dated(timing) if options.clock == "auto" else None
    start = read_off(ingest, epoch.utc.to_datetime()) if told is None else told[0]
    zone = config.timing.utc_offset_hours
    zone = zone_of(ingest) if zone is None else zone
    exposure, *rest = (floats(ingest, name) for name in ("exposure", "iso", "f_number"))
    light, exposure = sensitivity(exposure, *rest), np.nan_to_num(exposure)
    files = decodings(workspace, ingest, config.base_dir)
    seen = _seen(config, reporter, files)
    kept = [k for k, s in enumerate(seen) if not isinstance(s, str)]
    frames = [Frame(float(start[k] + 0.5 * exposure[k]), float(light[k]), seen[k]) for k in kept]
    focal_mm = options.focal_mm or own_mm
    width, pitch = frames[0].seen.width if frames else 0, floats(ingest, "pixel_pitch_um")
    lens = focals(focal_mm, width, options.sensor_width_mm, pitch)
    known = known_of(lens, focal_mm, zone, None if told is None else told[1], options.faintest)
    session = solve_session(frames, sky, known) if frames else None
    if session is None:
        raise LimbwardError(
            "The Sun shows in none of the wide frames that have a time, so nothing shows where "
            "they point."
        )
    names = [str(f) for f in texts(ingest, "file")[kept]]
    solved = Solved(names, frames, exposure[kept], session, sky, told is not None, zone)
    unread = [s for s in seen if isinstance(s, str)]
    return WideFrames(solved, [files[k] for k in kept], notes + unread)


@contextmanager
def developer(config: Config, wide: WideFrames) -> Iterator[Developer]:
    """Lend a function that decodes a frame by its number, or says why it cannot be.

    Its second argument, if given, is the longer side of the result in place of that in the config.
    """
    with FileMap(local_crew(1), again="run it again") as decoder:

        def developed(k: int, side: int = config.landscape.up_to_px) -> Developed | str:
            path = wide.decodings[k][0]
            result = decoder.one(develop_file, Task(k, path, (*wide.decodings[k], side)))
            return result.sentence if isinstance(result, Failure) else result

        yield developed


def _seen(config: Config, reporter: Reporter, told: list[Decoding]) -> list[Any]:
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
