"""The annotated copies of solved wide frames."""

from __future__ import annotations

from pathlib import PurePosixPath

import numpy as np
from astropy.time import TimeDelta

from limbward.config import Config, place_and_time
from limbward.landscape.annotate import (
    Edge,
    annotated,
    best_to_annotate,
    drawing_of,
    edge_on_sky,
)
from limbward.landscape.develop import Developed
from limbward.landscape.solved import Solved
from limbward.products.wide_frames import Developer, Made, as_pixels, named_frame
from limbward.render.writers import Caption, write_png
from limbward.sky.umbra import umbra_edge
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

ANNOTATED = "sequences/landscape.png"
EVERY = "sequences/landscape/"


def write_copies(
    config: Config, workspace: Workspace, reporter: Reporter, solved: Solved,
    developed: Developer, made: Made,
) -> tuple[str, str] | None:  # fmt: skip
    """Write the annotated frame, on request all of them; return its name and the frame's."""
    k, shown = best_to_annotate(solved), None
    if config.landscape.frame is not None:
        k = named_frame(config, solved, "frame", config.landscape.frame)
    if k is not None and (frame := made.picture(developed(k))) is not None:
        left_out = _write_one(config, workspace, solved, k, frame, ANNOTATED)
        made.files.append(ANNOTATED)
        if left_out:
            made.notes.append(f"There was no room for the names of {', '.join(left_out)}.")
        shown = (ANNOTATED, solved.file[k])
    rows = solved.placed & np.isfinite(solved.since_s) & ~solved.dark
    every = np.flatnonzero(rows).tolist() if config.landscape.every else []
    with reporter.progress(len(every), "annotated copies") as advance:
        for k in every:
            if (frame := made.picture(developed(k))) is not None:
                # A number first: two cards may have files of one name.
                name = f"{EVERY}{k + 1:04}-{PurePosixPath(solved.file[k]).stem}.png"
                _write_one(config, workspace, solved, k, frame, name)
                made.files.append(name)
            advance()
    return shown


def _write_one(
    config: Config, workspace: Workspace, solved: Solved, k: int, frame: Developed, name: str
) -> list[str]:
    """Write an annotated copy; return the bodies for whose names there was no room."""
    edges = edges_of(config, solved, [float(solved.within_s[k])])
    drawing = drawing_of(solved, k, edges[0], config.site.name)
    picture, left_out = annotated(frame, drawing)
    caption = Caption(drawing.foot, config.report.title, config.report.author, config.site.name)
    with workspace.writing(name) as part:
        write_png(part, as_pixels(picture), caption)
    return [m.words.split("  ")[0] for m in drawing.marks if m.words in left_out]


def edges_of(config: Config, solved: Solved, t: list[float]) -> list[list[Edge]]:
    """Return the umbra's edge at some times, seconds from greatest eclipse; none unless asked."""
    height = config.landscape.shadow_height_km
    if height is None:
        return [[] for _ in t]
    edge = umbra_edge(
        solved.heavens.epoch + TimeDelta(t, format="sec"), place_and_time.site(config),
        height_km=height, radii=place_and_time.radii(config), ephemeris=config.sky.ephemeris,
    )  # fmt: skip
    words = f"edge of the umbra on air at {height:g} km"
    return [
        [(edge_on_sky(altitude, azimuth), words)]
        for altitude, azimuth in zip(edge.altitude, edge.azimuth, strict=True)
    ]
