"""The composite: the finished picture, from the linear corona and one enhancement of it."""

from __future__ import annotations

import numpy as np
from astropy.io.fits import Header

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.progress import Reporter
from limbward.radiance.fits import read_picture
from limbward.radiance.grid import read_geometry
from limbward.render.compose import Disc, compose
from limbward.render.rotate import turn_picture
from limbward.render.writers import write_png, write_tiff
from limbward.stages.stage import Stage
from limbward.workspace import Workspace, atomic_path

UP = {
    "solar_north": ("SOLARPA", "solar north up"),
    "celestial_north": (None, "celestial north up"),
    "zenith": ("ZENITHPA", "zenith up"),
    "camera": ("UPPA", "as the camera stood"),
}


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write composite.tif and composite.png.

    Raises
    ------
    LimbwardError
        If the corona cannot be shown.
    """
    if not workspace.path(Workspace.corona).exists():
        reporter.note("There is no corona to compose.")
        return
    with reporter.progress(4, "composing") as advance:
        radiance, header, more = read_picture(workspace.path(Workspace.corona), ["SIGMA"])
        name = config.compose.detail or config.enhance[0].name
        structure, _, _ = read_picture(workspace.path(Workspace.enhanced(name)[0]))
        grid, sun, moon = read_geometry(header)
        if moon is None:
            raise LimbwardError(f"{Workspace.corona} does not say where the Moon was.")
        advance()
        try:
            picture, _ = compose(
                radiance,
                more["SIGMA"],
                structure,
                Disc(sun.x, sun.y, sun.radius),
                Disc(moon.x, moon.y, moon.radius),
                np.array([header[f"DAYWB{c}"] for c in (1, 2, 3)], np.float32),
                np.array(
                    [[header[f"SRGB{i}_{j}"] for j in (1, 2, 3)] for i in (1, 2, 3)], np.float32
                ),
            )
        except ValueError as error:
            raise LimbwardError(f"The corona cannot be composed: {error}.") from error
        advance()
        key, words = UP[config.compose.up]
        valid = np.isfinite(radiance).all(axis=0)
        valid |= _near_moon(valid.shape, Disc(moon.x, moon.y, moon.radius + 0.05 * sun.radius))
        to_up = 0.0 if key is None else float(header[key])
        picture = turn_picture(picture, valid, grid.up_position_angle, to_up)
        advance()
        text = _description(header, words)
        with atomic_path(workspace.path(Workspace.composite_tif)) as part:
            write_tiff(part, picture, text)
        with atomic_path(workspace.path(Workspace.composite_png)) as part:
            write_png(part, picture, text)
        advance()


def _near_moon(
    shape: tuple[int, ...], moon: Disc
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    y, x = np.ogrid[: shape[0], : shape[1]]
    return np.asarray((x - moon.x) ** 2 + (y - moon.y) ** 2 < moon.radius**2)


def _description(header: Header, words: str) -> str:
    return (
        f"Solar corona, {str(header['DATE-AVG'])[:19]} UTC, {header['NFRAMES']} frames "
        f"({header['EXPTOTAL']:.1f} s) with {header['CAMERA']}, {words}"
    )


STAGE = Stage(
    name="compose",
    run=run,
    sections=("compose", "enhance"),
    rooms=("render", "radiance/fits.py", "radiance/grid.py"),
    reads=lambda config: (
        Workspace.corona,
        Workspace.enhanced(config.compose.detail or config.enhance[0].name)[0],
    ),
    writes=(Workspace.composite_tif, Workspace.composite_png),
)
