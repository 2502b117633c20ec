"""The composite: the finished picture, from the linear corona and one enhancement of it."""

from __future__ import annotations

from contextlib import AbstractContextManager

import numpy as np
from astropy.io import fits
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.camera.colours import read_colours
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import north_known, read_geometry
from limbward.picture.holes import without_holes
from limbward.picture.resampling import shrink
from limbward.radiance.fits import open_picture, planes_of, read_rows
from limbward.render.compose import Look, compose, tone_json
from limbward.render.figures import annotate, polar_map, scene_of, side_by_side
from limbward.render.moon import inside
from limbward.render.preview import linear_picture, structure_picture
from limbward.render.rotate import turn_picture, up_of
from limbward.render.space import Space, to_srgb
from limbward.render.writers import Caption, caption_of, place_text, write_png, write_tiff
from limbward.stages.stage import Stage
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats

Pixels = NDArray[np.float32]

USUAL_BLUR_PX = 0.9  # where no frame's limb was measured: a good lens at the pixel's size
PANEL_PX = 1600


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the composite, its annotated version and the other pictures made from it.

    Raises
    ------
    LimbwardError
        If the corona cannot be shown.
    """
    if not workspace.path(Workspace.corona).exists():
        reporter.note("There is no corona to compose.")
        return
    options = config.compose
    space = Space(options.profile)
    with (
        reporter.progress(5, "composing") as advance,
        _open(workspace, Workspace.corona, "SIGMA", "MOON") as hdus,
    ):
        header = hdus[0].header
        grid, sun, moon = read_geometry(header)
        if moon is None:
            raise LimbwardError(f"{Workspace.corona} does not say where the Moon was.")
        on_sky, at_moon = Disc(sun.x, sun.y, sun.radius), Disc(moon.x, moon.y, moon.radius)
        radiance = np.empty(hdus[0].shape, np.float32)
        for c, plane in enumerate(radiance):
            read_rows(hdus[0], c, plane)
        to_up, words = up_of(header, options.up)
        if not north_known(header) and options.up != "camera":
            reporter.warn(
                f"compose.up is {options.up}, but north in the picture is not known; it is left as "
                "the camera stood. Give align.up_position_angle in the config."
            )
        valid = np.isfinite(radiance).all(axis=0)
        valid |= inside(valid.shape, Disc(moon.x, moon.y, moon.radius + 0.05 * sun.radius))
        # An inner corona that is clipped in all frames is no edge of the picture.
        valid = without_holes(valid)
        half = None if options.crop_radii is None else options.crop_radii * sun.radius

        def turned(picture: Pixels, factor: int = 1) -> Pixels:
            seen = valid if factor == 1 else shrink(valid[None], factor=factor)[0][0] == 1.0
            size = None if half is None else half / factor
            return turn_picture(picture, seen, grid.up_position_angle, to_up, size)

        structure = _detail_plane(workspace, config)
        small, factor = shrink(radiance, PANEL_PX)
        linear_panel = turned(linear_picture(small, *read_colours(header)), factor)
        small = shrink(structure[None], factor=factor)[0]
        dark = shrink(inside(valid.shape, at_moon)[None], factor=factor)[0][0] > 0.5
        filtered_panel = turned(structure_picture(small, ~dark), factor)
        del small
        advance()
        try:
            made = compose(
                radiance,
                planes_of(hdus["SIGMA"]) if "SIGMA" in hdus else None,
                structure,
                on_sky,
                at_moon,
                *read_colours(header),
                _look(config, workspace),
                _surface(header, hdus),
            )
        except ValueError as error:
            raise LimbwardError(f"The corona cannot be composed: {error}.") from error
        del structure, radiance
        advance()
        picture = turned(made.picture)
        tone = tone_json(made, options.white_balance)
        del made
        caption = _caption(config, header, words)
        with workspace.writing(Workspace.composite_tif) as part:
            write_tiff(part, picture, caption, space)
        with workspace.writing(Workspace.composite_png) as part:
            write_png(part, picture, caption, space)
        advance()
        small, factor = shrink(picture, 2 * PANEL_PX)
        small = to_srgb(small, space)
        del picture
        scene = scene_of(header, sun.radius / factor, grid.scale_arcsec * factor, to_up, caption)
        with workspace.writing(Workspace.annotated) as part:
            annotate(part, small, scene)
        with workspace.writing(Workspace.polar) as part:
            polar_map(part, small, scene, moon_top=1.0)
        advance()
        finished = shrink(small, PANEL_PX)[0]
        panels = [
            ("linear", linear_panel),
            (f"filtered: {_name(config)}", filtered_panel),
            ("finished", finished),
        ]
        with workspace.writing(Workspace.side_by_side) as part:
            side_by_side(part, panels)
        workspace.write_json(Workspace.tone, tone)
        advance()


def _name(config: Config) -> str:
    return config.compose.detail or config.enhance[0].name


def _detail_plane(workspace: Workspace, config: Config) -> Pixels:
    """Return the mean of an enhancement's colours (H, W), read one at a time."""
    with _open(workspace, Workspace.enhanced(_name(config))[0]) as hdus:
        out = np.zeros(hdus[0].shape[1:], np.float32)
        for plane in planes_of(hdus[0]):
            out += plane
        out /= hdus[0].shape[0]
        return out


def _open(workspace: Workspace, artefact: str, *names: str) -> AbstractContextManager[fits.HDUList]:
    return open_picture(workspace.path(artefact), names)


def _surface(header: Header, hdus: fits.HDUList) -> tuple[Pixels, int, int] | None:
    if "MOON" not in hdus:
        return None
    surface = np.stack(list(planes_of(hdus["MOON"])))
    return surface, int(header["MOONTOP"]), int(header["MOONLEFT"])


def _look(config: Config, workspace: Workspace) -> Look:
    options = config.compose
    blur = options.limb_px
    if blur is None:
        blur = _measured_blur(workspace)
    return Look(
        detail=options.detail_strength,
        saturation=options.saturation,
        white_balance=options.white_balance,
        sky=options.sky_lightness,
        highlights=options.brightest_lightness,
        outer=options.outer,
        level_sky=options.level_sky,
        earthshine=options.earthshine,
        limb_px=blur,
        space=options.profile,
    )


def _measured_blur(workspace: Workspace) -> float:
    """Return the typical blur of the limbs of the frames merged, pixels."""
    if not workspace.path(Workspace.table("ingest")).exists():
        return USUAL_BLUR_PX
    limb_width = floats(workspace.read_table(Workspace.table("ingest")), "limb_width")
    used = np.asarray(workspace.read_table(Workspace.table("merge"))["used"], bool)
    measured = limb_width[used & np.isfinite(limb_width)]
    return float(np.median(measured)) if measured.size else USUAL_BLUR_PX


def _caption(config: Config, header: Header, words: str) -> Caption:
    site = config.site
    return caption_of(
        header,
        words,
        title=config.compose.title or config.report.title,
        author=config.compose.author or config.report.author,
        site=place_text(site.name, site.latitude, site.longitude),
    )


STAGE = Stage(
    name="compose",
    run=run,
    sections=("compose", "enhance", "site", "report"),
    reads=lambda config: (
        Workspace.corona,
        Workspace.enhanced(_name(config))[0],
        Workspace.table("ingest"),
        Workspace.table("merge"),
    ),
    writes=(
        Workspace.composite_tif,
        Workspace.composite_png,
        Workspace.annotated,
        Workspace.side_by_side,
        Workspace.polar,
        Workspace.tone,
    ),
)
