"""The annotated copies of solved wide frames."""

from __future__ import annotations

from pathlib import PurePosixPath

import numpy as np
from astropy.time import TimeDelta

from limbward.config import Config, place_and_time
from limbward.landscape.annotate import Edge, annotated, best_to_annotate, drawing_of, edge_on_sky
from limbward.landscape.develop import Developed
from limbward.landscape.solved import Solved
from limbward.products.wide_output import Developer, Output
from limbward.sky.umbra import umbra_edge


def write_copies(
    output: Output, solved: Solved, developed: Developer
) -> tuple[str | None, str | None]:
    """Write the annotated frame, on request all of them; return its name and the frame's."""
    options = output.config.landscape
    k = best_to_annotate(solved)
    shown: tuple[str | None, str | None] = (None, None)
    if options.frame is not None:
        k = output.named(solved, "frame", options.frame)
    if k is not None and (frame := output.frame(developed(k))) is not None:
        name, left_out = _write_one(output, solved, k, frame, "landscape")
        if left_out:
            output.notes.append(f"There was no room for the names of {', '.join(left_out)}.")
        shown = (name, solved.file[k])
    rows = solved.placed & np.isfinite(solved.since_s) & ~solved.dark
    every = np.flatnonzero(rows).tolist() if options.every else []
    with output.reporter.progress(len(every), "annotated copies") as advance:
        for k in every:
            if (frame := output.frame(developed(k))) is not None:
                # A number first: two cards may have files of one name.
                name = f"landscape/{k + 1:04}-{PurePosixPath(solved.file[k]).stem}"
                _write_one(output, solved, k, frame, name)
            advance()
    return shown


def _write_one(
    output: Output, solved: Solved, k: int, frame: Developed, name: str
) -> tuple[str, list[str]]:
    """Write an annotated copy; return its name and bodies for whose names there was no room."""
    edges = edges_of(output.config, solved, float(solved.within_s[k]))
    drawing = drawing_of(solved, k, edges, output.config.site.name)
    picture, left_out = annotated(frame, drawing)
    (file,) = output.picture(picture, name, output.caption(drawing.foot))
    return file, [m.words.split("  ")[0] for m in drawing.marks if m.words in left_out]


def edges_of(config: Config, solved: Solved, t: float) -> list[Edge]:
    """Return the umbra's edge, seconds from greatest eclipse; none unless asked for."""
    height = config.landscape.shadow_height_km
    if height is None:
        return []
    edge = umbra_edge(
        solved.heavens.epoch + TimeDelta(t, format="sec"), place_and_time.site(config),
        height_km=height, radii=place_and_time.radii(config), ephemeris=config.sky.ephemeris,
    )  # fmt: skip
    words = f"edge of the umbra on air at {height:g} km"
    return [(edge_on_sky(edge.altitude[0], edge.azimuth[0]), words)]
