"""The wide frames of a card: which they are, measured and solved."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.camera.response import Response
from limbward.config import Config, place_and_time
from limbward.errors import ConfigError, LimbwardError
from limbward.landscape.develop import see_file
from limbward.landscape.heavens import Heavens, heavens
from limbward.landscape.session import Frame, Known, Session, solve_session
from limbward.products.wide_choice import chosen, focals, readings, sensitivity
from limbward.work.executors import crew
from limbward.work.map import Failure, FileMap, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, texts
from limbward.workspace.responses import read_responses
from limbward.workspace.stored import read_stage_tables

Floats = NDArray[np.float64]

CLOCK_REACH_S, ANY_ZONE_S = 900.0, 14.5 * 3600.0


@dataclass(frozen=True)
class WideFrames:
    """The wide frames of one camera and lens, N of them, in the order of shooting.

    ``timed`` tells whether the stage timing has dated them, ``zone_hours`` is the camera's zone,
    as far as it is said.
    """

    file: list[str]
    path: list[Path]
    digest: list[str]
    response: list[Response | None]
    exposure_s: Floats
    timed: bool
    zone_hours: float | None
    frames: list[Frame]
    heavens: Heavens
    session: Session
    notes: list[str]

    def since_s(self) -> Floats:
        """Return the middles of the exposures, true seconds from greatest eclipse."""
        return np.array([f.reading_s for f in self.frames]) - self.session.fit.offset_s


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
    rows, focal_mm, notes = chosen(config, ingest)
    circumstances = place_and_time.eclipse(config)
    epoch = place_and_time.greatest(circumstances)
    air = place_and_time.air(config)
    sky = heavens(
        epoch, place_and_time.site(config), faintest=config.landscape.faintest,
        radii=place_and_time.radii(config), ephemeris=config.sky.ephemeris,
        pressure_hpa=air.pressure_hpa, temperature_c=air.temperature_c,
    )  # fmt: skip
    reading, timed, sigma, zone = readings(config, ingest, timing, rows, epoch)
    exposure = np.nan_to_num(floats(ingest, "exposure")[rows])
    responses = read_responses(workspace)
    paths = [config.base_dir / str(f) for f in texts(ingest, "file")[rows]]
    answers = [responses.get(name) for name in texts(ingest, "response")[rows]]
    digests = [str(d) for d in texts(ingest, "sha256")[rows]]
    seen = _seen(config, reporter, paths, digests, answers)
    light = sensitivity(ingest, rows)
    kept = [k for k, s in enumerate(seen) if not isinstance(s, str)]
    notes += [s for s in seen if isinstance(s, str)]
    frames = [
        Frame(float(reading[k] + 0.5 * exposure[k]), float(light[k]), s)
        for k in kept
        if not isinstance(s := seen[k], str)
    ]
    known = Known(
        focals(config, ingest, rows, focal_mm, frames[0].seen.width if frames else 0),
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
    names = [str(f) for f in texts(ingest, "file")[rows]]
    return WideFrames(
        [names[k] for k in kept], [paths[k] for k in kept], [digests[k] for k in kept],
        [answers[k] for k in kept], exposure[kept], timed, zone, frames, sky, session, notes,
    )  # fmt: skip


def named_frame(config: Config, wide: WideFrames, key: str, name: str) -> int:
    """Return the number of a frame by its name or the end of its path.

    Raises
    ------
    ConfigError
        If it is none of the wide frames, or not solved.
    """
    for k, file in enumerate(wide.file):
        if file == name or PurePosixPath(file).name == name or file.endswith(f"/{name}"):
            if wide.session.stand[k] < 0:
                raise ConfigError(
                    f"{config.where('landscape', key)}: nothing in {file} tells where it looks; "
                    "choose a frame with the Sun in it, or one between two such frames."
                )
            return k
    raise ConfigError(
        f"{config.where('landscape', key)}: {name!r} is none of the {len(wide.file)} wide frames; "
        f"the first is {wide.file[0]}."
    )


def _seen(
    config: Config, reporter: Reporter, paths: list[Path], digests: list[str],
    answers: list[Response | None],
) -> list[Any]:  # fmt: skip
    """Return each frame as measured, or the sentence that says why it could not be read."""
    found: list[Any] = [""] * len(paths)
    with (
        reporter.progress(len(paths), "wide frames") as advance,
        crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands,
        FileMap(hands, again="run it again") as files,
    ):
        side = config.landscape.up_to_px
        tasks = (
            Task(k, path, (path, digests[k], answers[k], side)) for k, path in enumerate(paths)
        )
        for task, result in files.each(see_file, tasks):
            found[task.key] = result.sentence if isinstance(result, Failure) else result
            advance()
    return found
