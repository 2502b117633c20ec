"""Enhancement: filters applied to the merged corona, as the config lists them."""

from __future__ import annotations

from functools import partial
from pathlib import PurePosixPath

import numpy as np
from astropy.io.fits import HDUList, Header
from numpy.typing import NDArray

from limbward import filters
from limbward.config import Config, EnhanceConfig
from limbward.geometry.disc import Geometry
from limbward.geometry.merged import check_merge, geometry_of
from limbward.radiance.depth import GREEN
from limbward.radiance.fits import open_picture, read_rows
from limbward.radiance.reading import read_deep, read_whole
from limbward.radiance.scratch import Room, let_go, parked, room_on_disk
from limbward.render.filtered import Colours, colours_of, picture_of, write_filtered
from limbward.runs.stage import Stage
from limbward.stages.captions import caption_of_merge
from limbward.work.memory import give_back
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write enhanced/NAME.fits, .tif and .png for every enhancement of the config."""
    if not workspace.path(Workspace.corona).exists():
        if not workspace.path(Workspace.sun).exists():
            reporter.note("There is no corona to enhance.")
        return
    path = workspace.path(Workspace.corona)
    room = partial(room_on_disk, folder=workspace.root)
    with open_picture(path, ["SIGMA"]) as hdus:
        header = hdus[0].header
        check_merge(path, header, hdus[0].shape)
        geometry = geometry_of(header)
        image = read_deep(hdus, geometry.sun, room)
        first = (step.filter for recipe in config.enhance for step in recipe.steps[:1])
        asked = filters.takes_noise(first)
        sigma = read_whole(hdus["SIGMA"], room) if asked and "SIGMA" in hdus else None
        restore = any(recipe.colour == "restored" for recipe in config.enhance)
        colours = _colours(image, hdus, geometry, room) if restore else None
    with reporter.progress(len(config.enhance), "filtering") as advance:
        for recipe in config.enhance:
            result, done = filters.apply_steps(
                image, sigma, geometry, ((s.filter, s.params) for s in recipe.steps)
            )
            let_go(image, sigma)
            result = parked(result, room)
            give_back()
            _write(config, workspace, recipe, result, header, done, geometry, colours, room)
            advance()


def _colours(image: Pixels, hdus: HDUList, geometry: Geometry, room: Room) -> Colours | None:
    """Return the colours of a merge, without their noise."""
    noise = None
    if "SIGMA" in hdus:
        noise = read_rows(hdus["SIGMA"], GREEN, room(image.shape[1:], np.float32))
        let_go(noise)
    found = colours_of(image, noise, hdus[0].header, geometry)
    return None if found is None else (parked(found[0], room), found[1])


def _write(
    config: Config,
    workspace: Workspace,
    recipe: EnhanceConfig,
    result: Pixels,
    header: Header,
    done: list[str],
    geometry: Geometry,
    colours: Colours | None,
    room: Room,
) -> None:
    name = recipe.name
    shown = None if recipe.colour == "as_filtered" else colours
    flat = filters.normalise(step.filter for step in recipe.steps)
    picture = picture_of(result, shown, header, geometry, normalised=flat, room=room)
    caption = caption_of_merge(config, workspace, header, f"{name}: " + ", ".join(done))
    for artefact in Workspace.enhanced(name):
        with workspace.writing(artefact) as part:
            kind = PurePosixPath(artefact).suffix
            write_filtered(part, kind, result, picture, header, done, caption)


def _outputs(config: Config) -> tuple[str, ...]:
    return tuple(path for recipe in config.enhance for path in Workspace.enhanced(recipe.name))


STAGE = Stage(
    name="enhance",
    run=run,
    sections=("enhance", "site", "report", "bodies"),
    loads=("filters",),
    reads=(Workspace.corona, Workspace.sun, Workspace.table("ingest")),
    writes=_outputs,
)
