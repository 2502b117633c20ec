"""Enhancement: filters applied to the merged corona, as the config lists them."""

from __future__ import annotations

from pathlib import Path, PurePosixPath

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward import filters
from limbward.config import Config, EnhanceConfig
from limbward.geometry.disc import Geometry
from limbward.geometry.merged import check_merge, geometry_of
from limbward.radiance.depth import GREEN, hide_shallow
from limbward.radiance.fits import read_extension, read_picture
from limbward.render.filtered import Colours, colours_of, picture_of, write_filtered
from limbward.runs.stage import Stage
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
    image, header, _ = read_picture(path)
    sigma, green = _noise(path, config)
    check_merge(path, header, image.shape)
    geometry = geometry_of(header)
    hide_shallow(image, green, geometry.sun)
    with reporter.progress(len(config.enhance), "filtering") as advance:
        restore = any(recipe.colour == "restored" for recipe in config.enhance)
        colours = colours_of(image, green, header, geometry) if restore else None
        for recipe in config.enhance:
            result, done = filters.apply_steps(
                image, sigma, geometry, ((s.filter, s.params) for s in recipe.steps)
            )
            _write(workspace, recipe, result, header, done, geometry, colours)
            advance()


def _noise(path: Path, config: Config) -> tuple[Pixels | None, Pixels | None]:
    """Return the merge's noise if a filter asks for it, which takes 288 MB, and that of green."""
    steps = [step.filter for recipe in config.enhance for step in recipe.steps[:1]]
    if "multiscale" in steps:
        sigma = read_extension(path, "SIGMA")
        return sigma, None if sigma is None else sigma[GREEN]
    return None, read_extension(path, "SIGMA", GREEN)


def _write(
    workspace: Workspace,
    recipe: EnhanceConfig,
    result: Pixels,
    header: Header,
    done: list[str],
    geometry: Geometry,
    colours: Colours | None,
) -> None:
    name = recipe.name
    shown = None if recipe.colour == "as_filtered" else colours
    flat = filters.normalise(step.filter for step in recipe.steps)
    picture = picture_of(result, shown, header, geometry, normalised=flat)
    text = f"{name}: " + ", ".join(done)
    for artefact in Workspace.enhanced(name):
        with workspace.writing(artefact) as part:
            kind = PurePosixPath(artefact).suffix
            write_filtered(part, kind, result, picture, header, done, text)


def _outputs(config: Config) -> tuple[str, ...]:
    return tuple(path for recipe in config.enhance for path in Workspace.enhanced(recipe.name))


STAGE = Stage(
    name="enhance",
    run=run,
    sections=("enhance",),
    loads=("filters",),
    reads=(Workspace.corona, Workspace.sun),
    writes=_outputs,
)
