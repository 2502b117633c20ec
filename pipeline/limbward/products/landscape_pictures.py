"""The pictures that `limbward landscape` makes of solved wide frames."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import PurePosixPath

import numpy as np
from astropy.time import TimeDelta
from numpy.typing import NDArray

from limbward.config import Config, place_and_time
from limbward.landscape.annotate import Drawing, Mark, annotated
from limbward.landscape.develop import Developed, develop_file
from limbward.landscape.lens import enu
from limbward.landscape.naming import Names
from limbward.products import landscape_path, landscape_sky
from limbward.products.wide_frames import WideFrames, named_frame
from limbward.render.writers import Caption, write_png
from limbward.sky.umbra import umbra_edge
from limbward.work.executors import local_crew
from limbward.work.map import Failure, FileMap, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

ANNOTATED = "sequences/landscape.png"
EVERY = "sequences/landscape/"
EDGE_DEG = 0.3  # of altitude: nearer to the horizon the shadow's edge means little


@dataclass
class Made:
    """The pictures written: the annotated one, all files, what to say."""

    annotated: str | None = None
    words: str = ""
    files: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def write_all(config: Config, workspace: Workspace, reporter: Reporter, wide: WideFrames) -> Made:
    """Write all pictures that the frames allow."""
    made = Made()
    with FileMap(local_crew(1), again="run it again") as decoder:

        def developed(k: int) -> Developed | str:
            told = (wide.path[k], wide.digest[k], wide.response[k], config.landscape.up_to_px)
            result = decoder.one(develop_file, Task(k, wide.path[k], told))
            return result.sentence if isinstance(result, Failure) else result

        k = _to_annotate(config, wide)
        if k is not None:
            frame = developed(k)
            if isinstance(frame, str):
                made.notes.append(frame)
            else:
                _write_annotated(config, workspace, wide, k, frame, made)
        if config.landscape.every:
            _write_every(config, workspace, reporter, wide, developed, made)
        landscape_path.write(config, workspace, reporter, wide, developed, made.files, made.notes)
    landscape_sky.write(config, workspace, reporter, wide, made.files)
    return made


def _to_annotate(config: Config, wide: WideFrames) -> int | None:
    if config.landscape.frame is not None:
        return named_frame(config, wide, "frame", config.landscape.frame)
    solved = np.flatnonzero(wide.session.stand >= 0)
    if not solved.size:
        return None

    def worth(k: int) -> tuple[int, float]:
        names: Names = wide.session.names[k]
        seen = wide.frames[k].seen
        # Of frames without planets the one that shows most of the landscape.
        return len(names.named), -1.0 if seen.dark else -abs(seen.level / seen.white - 0.2)

    return int(max(solved.tolist(), key=worth))


def _write_every(
    config: Config, workspace: Workspace, reporter: Reporter, wide: WideFrames,
    developed: Callable[[int], Developed | str], made: Made,
) -> None:  # fmt: skip
    """Write an annotated copy of each solved frame that shows the landscape."""
    shown = [
        k for k in np.flatnonzero(wide.session.stand >= 0).tolist()
        if np.isfinite(wide.frames[k].reading_s) and not wide.frames[k].seen.dark
    ]  # fmt: skip
    with reporter.progress(len(shown), "annotated copies") as advance:
        for k in shown:
            frame = developed(k)
            if isinstance(frame, str):
                made.notes.append(frame)
            else:
                # A number first: two cards may have files of one name.
                name = f"{EVERY}{k + 1:04}-{PurePosixPath(wide.file[k]).stem}.png"
                _write_one(config, workspace, wide, k, frame, name)
                made.files.append(name)
            advance()


def _write_annotated(
    config: Config, workspace: Workspace, wide: WideFrames, k: int, frame: Developed, made: Made
) -> None:
    bodies = _write_one(config, workspace, wide, k, frame, ANNOTATED)
    made.annotated = ANNOTATED
    made.files.append(ANNOTATED)
    made.words = f"{wide.file[k]} with what is in it."
    if bodies:
        made.notes.append(f"There was no room for the names of {', '.join(bodies)}.")


def _write_one(
    config: Config, workspace: Workspace, wide: WideFrames, k: int, frame: Developed, name: str
) -> list[str]:
    """Write an annotated copy; return the bodies for whose names there was no room."""
    sky, session = wide.heavens, wide.session
    t = np.clip(np.array(wide.since_s()[k]), sky.first_s, sky.last_s)
    vectors = sky.vectors(t)
    marks = [
        Mark(f"{sky.name[n.body]}  {sky.magnitude[n.body]:.1f}".replace("-", "−"), vectors[n.body])
        for n in session.names[k].named
    ]
    seen, foot = wide.frames[k].seen, _foot(config, wide, k)
    drawing = Drawing(
        session.camera(k), seen.width, seen.height, marks, vectors[0],
        float(sky.radii_deg(t)[0]), _shadow(config, wide, t), foot,
    )  # fmt: skip
    picture, left_out = annotated(frame, drawing)
    caption = Caption(foot, config.report.title, config.report.author, config.site.name)
    with workspace.writing(name) as part:
        write_png(part, np.moveaxis(picture, -1, 0).astype(np.float32) / 255.0, caption)
    return [m.words.split("  ")[0] for m in marks if m.words in left_out]


def _shadow(
    config: Config, wide: WideFrames, t: NDArray[np.float64]
) -> list[tuple[NDArray[np.float64], str]]:
    height = config.landscape.shadow_height_km
    if height is None:
        return []
    edge = umbra_edge(
        wide.heavens.epoch + TimeDelta(float(t), format="sec"),
        place_and_time.site(config), height_km=height,
        radii=place_and_time.radii(config), ephemeris=config.sky.ephemeris,
    )  # fmt: skip
    altitude = np.where(edge.altitude[0] > EDGE_DEG, edge.altitude[0], np.nan)
    return [(enu(altitude, edge.azimuth[0]), f"edge of the umbra on air at {height:g} km")]


def _foot(config: Config, wide: WideFrames, k: int) -> str:
    when = wide.heavens.epoch.utc.to_datetime() + timedelta(seconds=float(wide.since_s()[k]))
    lens = wide.session.fit.lens
    local = ""
    if wide.zone_hours is not None and wide.zone_hours:
        local = f" ({when + timedelta(hours=wide.zone_hours):%H:%M:%S} local time)"
    kind = "rectilinear lens" if lens.projection == "rectilinear" else f"{lens.projection} fisheye"
    words = [f"{when:%Y-%m-%d %H:%M:%S} UTC{local}", config.site.name, kind]
    return ", ".join(w for w in words if w)
