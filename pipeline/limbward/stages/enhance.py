"""Enhancement: filters applied to the merged corona, as the config lists them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward import filters
from limbward.config import Config, EnhanceConfig
from limbward.errors import LimbwardError
from limbward.geometry.disc import Geometry
from limbward.geometry.grid import read_geometry
from limbward.radiance.fits import read_extension, read_picture, write_picture
from limbward.render.writers import write_png, write_tiff
from limbward.stages.shown import Colours, colours_of, picture_of
from limbward.stages.stage import Stage
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]

GREEN = 1


def check_merge(path: str | Path, header: Header, shape: tuple[int, ...]) -> None:
    """Refuse a picture that is no merge, or whose header cannot be true.

    Raises
    ------
    LimbwardError
        With what is missing or wrong.
    """
    if len(shape) != 3 or shape[0] != 3 or min(shape) < 1:
        raise LimbwardError(f"{path} is not a merge: it has no three colours.")
    try:
        grid, sun, moon = read_geometry(header)
    except (KeyError, ValueError, TypeError) as error:
        raise LimbwardError(
            f"{path} is not a merge: its header does not say where the Sun is ({error})."
        ) from error
    discs = [sun] if moon is None else [sun, moon]
    numbers = [grid.up_position_angle, *(v for d in discs for v in (d.x, d.y, d.radius))]
    # A disc no larger than a pixel, or as large as a thousand pictures, is nobody's Sun.
    sizes = all(0.5 < d.radius < 1e3 * max(shape) for d in discs)
    if not (grid.scale_arcsec > 0 and np.isfinite(numbers).all() and sizes):
        raise LimbwardError(f"{path} is damaged: its header has the Sun at no possible place.")


def geometry_of(header: Header) -> Geometry:
    """Return where Sun and Moon are in a merged picture."""
    grid, sun, moon = read_geometry(header)
    return Geometry(
        sun_x=sun.x,
        sun_y=sun.y,
        sun_radius_px=sun.radius,
        moon_x=None if moon is None else moon.x,
        moon_y=None if moon is None else moon.y,
        moon_radius_px=None if moon is None else moon.radius,
        up_position_angle=grid.up_position_angle,
    )


def enhance(
    image: Pixels, sigma: Pixels | None, geometry: Geometry, recipe: EnhanceConfig
) -> tuple[Pixels, list[str]]:
    """Apply the steps of an enhancement.

    Parameters
    ----------
    image, sigma : ndarray of float32, shape (3, H, W)
    geometry : Geometry
    recipe : EnhanceConfig

    Returns
    -------
    ndarray of float32, shape (3, H, W)
    list of str
        What was done, one line a step.
    """
    done = []
    for step in recipe.steps:
        module = filters.load(step.filter)
        params = module.Params.model_validate(step.params)
        image = module.apply(image, sigma, geometry, params)
        sigma = None  # the noise of a filtered picture is not known
        done.append(f"{step.filter} {params.model_dump_json()}")
    return image, done


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write enhanced/NAME.fits, .tif and .png for every enhancement of the config."""
    if not workspace.path(Workspace.corona).exists():
        reporter.note("There is no corona to enhance.")
        return
    path = workspace.path(Workspace.corona)
    image, header, _ = read_picture(path)
    sigma, green = _noise(path, config)
    check_merge(path, header, image.shape)
    geometry = geometry_of(header)
    with reporter.progress(len(config.enhance), "filtering") as advance:
        restore = any(recipe.colour == "restored" for recipe in config.enhance)
        colours = colours_of(image, green, header, geometry) if restore else None
        for recipe in config.enhance:
            result, done = enhance(image, sigma, geometry, recipe)
            _write(workspace, recipe, result, header, done, geometry, colours)
            advance()


def _noise(path: Path, config: Config) -> tuple[Pixels | None, Pixels | None]:
    """Return the merge's noise, and that of green alone, as far as they are used.

    A filter that does not ask for it saves 288 MB at 24 megapixels.
    """
    steps = [step.filter for recipe in config.enhance for step in recipe.steps[:1]]
    if "multiscale" in steps:
        sigma = read_extension(path, "SIGMA")
        return sigma, None if sigma is None else sigma[GREEN]
    if any(recipe.colour == "restored" for recipe in config.enhance):
        return None, read_extension(path, "SIGMA", GREEN)
    return None, None


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
    as_fits, as_tiff, as_png = Workspace.enhanced(name)
    own = header.copy()
    own["BUNIT"] = ""
    with workspace.writing(as_fits) as part:
        write_picture(part, result, own, history=[f"Filtered: {line}" for line in done])
    picture = picture_of(result, recipe, colours, header, geometry)
    text = f"{name}: " + ", ".join(done)
    with workspace.writing(as_tiff) as part:
        write_tiff(part, picture, text)
    with workspace.writing(as_png) as part:
        write_png(part, picture, text)


def _outputs(config: Config) -> tuple[str, ...]:
    return tuple(path for recipe in config.enhance for path in Workspace.enhanced(recipe.name))


STAGE = Stage(
    name="enhance",
    run=run,
    sections=("enhance",),
    loads=("filters",),
    reads=(Workspace.corona,),
    writes=_outputs,
)
