"""A finished run's frames of one camera, and discs cut out of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from functools import partial
from typing import TypeVar

import astropy.units as u
import numpy as np
from astropy.time import TimeDelta
from numpy.typing import NDArray

from limbward.camera.choice import camera_of_most
from limbward.config import Config, place_and_time
from limbward.config.pointing import pointing_in_force
from limbward.errors import ConfigError, LimbwardError
from limbward.geometry.lens import STRAIGHT
from limbward.geometry.orientation import Orientation
from limbward.geometry.pointing import Pointing
from limbward.products.parked import Lot, cut_into
from limbward.render.writers import Caption, with_lens
from limbward.sequences.cut import Cut, View, cut_file
from limbward.sequences.film import LARGE_PX
from limbward.sequences.shots import (
    Shots,
    comparable_light,
    in_order,
    orientations,
)
from limbward.stages.captions import lens_shown
from limbward.work.executors import Crew, crew
from limbward.work.map import Failure, FileMap, Task
from limbward.workspace import Workspace
from limbward.workspace.columns import circles, floats, texts
from limbward.workspace.measured import lens_of_rows, middles_of
from limbward.workspace.responses import curves_of_rows
from limbward.workspace.stored import read_pointings, read_stage_tables
from limbward.workspace.timing_table import rolls_of

Floats = NDArray[np.float64]
T = TypeVar("T")


def read_shots(config: Config, workspace: Workspace, phases: tuple[str, ...], camera: str | None,
               section: str, *, placed: bool = True) -> Shots:  # fmt: skip
    """Return the frames of some phases of the camera that took most of them.

    Parameters
    ----------
    config : Config
    workspace : Workspace
        After a run, or at least after the stage align.
    phases : tuple of str
    camera : str or None
        Model or serial number that is wanted.
    section : str
        Of the config, for messages.
    placed : bool
        Whether to leave out frames in which the Sun's place is not known.

    Raises
    ------
    ConfigError
        If no camera has that name.
    LimbwardError
        If the workspace has no aligned frames, or the camera's orientation is not known.
    """
    names = [Workspace.table(stage) for stage in ("ingest", "timing", "align")]
    if not all(workspace.path(name).exists() for name in names):
        raise LimbwardError(
            f"The workspace {workspace.root} has no aligned frames yet; run `limbward run` first."
        )
    ingest, timing, align = read_stage_tables(workspace, "ingest", "timing", "align")
    curves = curves_of_rows(workspace, ingest)
    phase = texts(timing, "phase")
    middle = floats(timing, "since_greatest_s") + 0.5 * np.nan_to_num(floats(ingest, "exposure"))
    usable = np.isin(phase, phases) & np.isfinite(middle)
    if placed:
        usable &= np.isfinite(floats(align, "sun_x"))
    bodies = list(zip(texts(ingest, "camera"), texts(ingest, "serial"), strict=True))
    try:
        # Without any frame there is no camera; an empty Shots lets each command say its own.
        body = camera_of_most(bodies, usable, camera) or ("", "")
    except LookupError as error:
        raise ConfigError(f"{config.where(section, 'camera')}: {error}") from error
    usable &= np.array([b == body for b in bodies], bool)
    rows = in_order(usable, middle, floats(ingest, "sequence"))
    t = middle[rows]
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    track = place_and_time.track(config, epoch)
    orientation: list[Orientation] = []
    solar_north, lens = np.zeros(0), STRAIGHT
    if rows.size:
        pointing = _pointing(config, workspace, body)
        lens = lens_of_rows(ingest, rows, pointing.distortion)
        turn = floats(align, "rotation_deg")[rows]
        beside = circles(align, "sun")[rows, :2] - middles_of(ingest)[rows]
        orientation = orientations(pointing, track, t, turn, beside, rolls_of(timing)[rows])
        sky = place_and_time.view_at(config, epoch + TimeDelta(t * u.s))
        solar_north = sky.sun_axis_position_angle
    return Shots(
        camera=body[0],
        serial=body[1],
        epoch=epoch,
        track=track,
        file=texts(ingest, "file")[rows],
        path=[config.base_dir / str(file) for file in ingest["file"][rows]],
        digest=texts(ingest, "sha256")[rows],
        response=[curves[row] for row in rows],
        phase=phase[rows],
        middle_s=t,
        sigma_s=floats(timing, "time_utc_sigma")[rows],
        light=comparable_light(*(floats(ingest, n)[rows] for n in ("exposure", "iso", "f_number"))),
        sun=circles(align, "sun")[rows],
        moon=circles(align, "moon")[rows],
        orientation=orientation,
        solar_north=solar_north,
        zenith=track.parallactic_angle(t),
        lens=lens,
        lens_name=lens_shown(config, workspace, body[0]),
    )


def _pointing(config: Config, workspace: Workspace, body: tuple[str, str]) -> Pointing:
    pointing = pointing_in_force(config, read_pointings(workspace), body)
    if pointing is None:
        raise LimbwardError(
            f"The orientation of {body[0]} {body[1]} is not known; give align.up_position_angle "
            "and align.pixel_scale_arcsec in the config."
        )
    return pointing


def cuts(
    config: Config, shots: Shots, centres: Floats, views: Sequence[View]
) -> Iterator[tuple[int, Cut | str]]:
    """Cut a disc out of each frame, a few frames at a time, in processes of their own.

    Parameters
    ----------
    config : Config
    shots : Shots
    centres : ndarray, shape (N, 2)
    views : sequence of View
        One a frame.

    Yields
    ------
    tuple of int and Cut or str
        In order; a frame that cannot be decoded gives the sentence that says why.
    """
    workspace = config.resolve(config.workspace)
    large = len(views) > 0 and views[0].side ** 2 > LARGE_PX
    with (
        _few(crew(config.run.jobs, config.run.executor, config.run.scheduler), large) as hands,
        Lot(workspace if workspace.is_dir() else None) as lot,
        FileMap(hands, again="run it again") as files,
    ):
        tasks = (
            Task(
                i,
                path,
                (
                    lot.place(i) if hands.shares_memory else None,
                    views[i].side,
                    partial(
                        cut_file,
                        path,
                        shots.digest[i],
                        centre,
                        shots.orientation[i],
                        views[i],
                        shots.response[i],
                        shots.lens,
                    ),
                ),
            )
            for i, (path, centre) in enumerate(zip(shots.path, centres.tolist(), strict=True))
        )
        # One more than there are workers: memory does not grow with the number of frames.
        made = files.each(cut_into, tasks, ordered=True, in_flight=hands.workers + 1)
        for task, result in made:
            if isinstance(result, Failure):
                yield task.key, result.sentence
            else:
                yield task.key, lot.fetch(task.key, result)


@contextmanager
def _few(crew: AbstractContextManager[Crew], large: bool) -> Iterator[Crew]:
    """Open a crew, of this machine no more than one for large discs.

    It is as fast as what is made of them, and each more takes 0.1 GB and a disc more on disk.
    """
    with crew as hands:
        yield replace(hands, workers=1) if large and hands.shares_memory else hands


def counted_off(made: Iterable[T], advance: Callable[[], None]) -> Iterator[T]:
    """Pass on what is made, one by one, and tell of each."""
    for one in made:
        advance()
        yield one


def caption_of(config: Config, shots: Shots, description: str, site: str | None = None) -> Caption:
    """Return what a picture of some frames says about itself; the site's name if not given."""
    start, end = shots.span_utc()
    return Caption(
        description=f"{description}; {with_lens(shots.camera, shots.lens_name)}",
        lens=shots.lens_name,
        title=config.report.title,
        author=config.report.author,
        site=config.site.name if site is None else site,
        start=start,
        end=end,
        latitude=config.site.latitude,
        longitude=config.site.longitude,
    )
