"""The composite: the finished picture, from the linear corona and one enhancement of it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import partial

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from limbward.camera.colours import read_colours
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, north_known, read_geometry
from limbward.geometry.merged import check_merge
from limbward.picture.resampling import shrink
from limbward.radiance.disc import sun_white
from limbward.radiance.fits import PlaneRows, open_picture, read_picture
from limbward.radiance.reading import mean_of_colours, read_deep, read_surface
from limbward.radiance.scratch import room_on_disk
from limbward.render.compose import compose, tone_json
from limbward.render.crop import window
from limbward.render.figures import annotate, polar_map, scene_of, side_by_side
from limbward.render.line import LineDisc, with_prominences
from limbward.render.rotate import turned_up
from limbward.render.small import small_of
from limbward.render.space import Space, to_srgb
from limbward.render.sun_disc import sun_disc
from limbward.render.turned import PANEL_PX, Turn, source_panels, valid_area
from limbward.render.white import balanced
from limbward.runs.stage import Stage
from limbward.stages.look import box_of, caption_for, look_of
from limbward.stars.wording import star_labels
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.pictures import write_tiff_and_png
from limbward.workspace.stars import read_stars

Pixels = NDArray[np.float32]

COMPOSITE = Workspace.composite_tif, Workspace.composite_png


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the composite, its annotated version and the other pictures made from it.

    Raises
    ------
    LimbwardError
        If the corona cannot be shown.
    """
    if not workspace.path(Workspace.corona).exists():
        if workspace.path(Workspace.sun).exists():
            _compose_sun(config, workspace, reporter)
        else:
            reporter.note("There is no picture to compose.")
        return
    options = config.compose
    with (
        reporter.progress(5, "composing") as advance,
        _open(workspace, Workspace.corona, "SIGMA", "MOON") as hdus,
    ):
        header = hdus[0].header
        grid, sun, moon = read_geometry(header)
        if moon is None:
            raise LimbwardError(f"{Workspace.corona} does not say where the Moon was.")
        room = partial(room_on_disk, folder=workspace.root)
        radiance = read_deep(hdus, sun, room)
        to_up, words = turned_up(header, options.up, options.rotation_deg)
        daylight, matrix = read_colours(header)
        matrix = balanced(matrix, options.white_mired, options.white_tint)
        if not north_known(header) and options.up != "camera":
            reporter.warn(
                f"compose.up is {options.up}, but north in the picture is not known, so the "
                "camera's up stays up. Give align.up_position_angle in the config."
            )
        half = None if options.crop_radii is None else options.crop_radii * sun.radius
        turn = Turn(valid_area(radiance, sun, moon), grid.up_position_angle, to_up, half)
        with _open(workspace, Workspace.enhanced(_name(config))[0]) as enhanced:
            structure = mean_of_colours(enhanced[0], room)
        linear, filtered = source_panels(radiance, structure, moon, daylight, matrix, turn)
        advance()
        try:
            made = compose(
                radiance,
                [PlaneRows(hdus["SIGMA"], c) for c in range(3)] if "SIGMA" in hdus else None,
                structure,
                sun,
                moon,
                daylight,
                matrix,
                look_of(config, workspace),
                read_surface(hdus, room),
                room,
            )
        except ValueError as error:
            raise LimbwardError(f"The corona cannot be composed: {error}.") from error
        del structure, radiance
        advance()
        picture = made.picture
        if config.chromosphere.over_corona:
            picture = _prominences_over(config, workspace, reporter, picture, grid, sun)
        picture = turn(picture, room=room)
        tone = tone_json(made, options.white_balance)
        del made
        centre = turn.centre
        caption = caption_for(config, workspace, header, words)
        space = Space(options.profile)
        shown, at = _cut(config, picture, sun, centre)
        write_tiff_and_png(workspace, COMPOSITE, shown, caption, space)
        advance()
        tone |= {"sun": {"x": at[0], "y": at[1]}, "up_position_angle": to_up}
        middle = ((n - 1) / 2.0 for n in picture.shape[:0:-1])
        aside = [c - m for c, m in zip(centre, middle, strict=True)]
        small, factor = small_of(picture, 2 * PANEL_PX)
        small = to_srgb(small, space)
        del picture, shown
        scene = scene_of(
            header,
            sun.radius / factor,
            grid.scale_arcsec * factor,
            to_up,
            caption,
            star_labels(star for _, _, star in read_stars(workspace)),
            (aside[0] / factor, aside[1] / factor),
        )
        with workspace.writing(Workspace.annotated) as part:
            annotate(part, small, scene)
        with workspace.writing(Workspace.polar) as part:
            polar_map(part, small, scene, moon_top=1.0)
        advance()
        panels = [("linear", linear), (f"filtered: {_name(config)}", filtered)]
        with workspace.writing(Workspace.side_by_side) as part:
            side_by_side(part, [*panels, ("finished", shrink(small, PANEL_PX)[0])])
        workspace.write_json(Workspace.tone, tone)
        advance()


def _prominences_over(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    picture: Pixels,
    grid: Grid,
    sun: Disc,
) -> Pixels:
    """Return the picture with the prominences of hydrogen-alpha laid over it."""
    path = workspace.path(Workspace.chromosphere)
    if not path.exists():
        reporter.warn(
            "chromosphere.over_corona is set, but there is no picture in hydrogen-alpha yet: make "
            "it by `limbward chromosphere`, then run again."
        )
        return picture
    _, header, more = read_picture(path, ("FLAT",))
    line, _, _ = read_geometry(header)
    disc = LineDisc(more["FLAT"], line, float(header["RLINE"]))
    return with_prominences(picture, grid, sun, disc, config.chromosphere.colour)


def _compose_sun(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the composite of an eclipse that was not total: ring or crescent, as it was."""
    options = config.compose
    with reporter.progress(1, "composing") as advance:
        path = workspace.path(Workspace.sun)
        radiance, header, _ = read_picture(path)
        check_merge(path, header, radiance.shape)
        grid, sun, _ = read_geometry(header)
        daylight, matrix = read_colours(header)
        matrix = balanced(matrix, options.white_mired, options.white_tint)
        white = sun_white(header) if options.white_balance == "solar" else None
        try:
            picture, _ = sun_disc(
                radiance,
                daylight if white is None else white,
                matrix,
                lightness=options.brightest_lightness,
                space=options.profile,
            )
        except ValueError as error:
            raise LimbwardError(f"{path} cannot be composed: {error}.") from error
        to_up, words = turned_up(header, options.up, options.rotation_deg)
        half = None if options.crop_radii is None else options.crop_radii * sun.radius
        valid = np.ones(radiance.shape[1:], bool)  # beyond the frames lies the same black sky
        turn = Turn(valid, grid.up_position_angle, to_up, half)
        picture, _ = _cut(config, turn(picture), sun, turn.centre)
        caption, space = caption_for(config, workspace, header, words), Space(options.profile)
        write_tiff_and_png(workspace, COMPOSITE, picture, caption, space)
        advance()


def _cut(
    config: Config, picture: Pixels, sun: Disc, centre: tuple[float, float]
) -> tuple[Pixels, tuple[float, float]]:
    """Return the finished picture as the config crops it, and where the Sun is in it (x, y).

    ``centre`` is where it is before.
    """
    size, ratio = (picture.shape[1], picture.shape[2]), config.compose.crop_ratio
    rows, columns = window(size, box_of(config), ratio, sun.radius, centre)
    shown = picture[:, slice(*rows), slice(*columns)]
    return shown, (centre[0] - columns[0], centre[1] - rows[0])


def _name(config: Config) -> str:
    return config.compose.detail or config.enhance[0].name


def _open(workspace: Workspace, artefact: str, *names: str) -> AbstractContextManager[fits.HDUList]:
    return open_picture(workspace.path(artefact), names)


STAGE = Stage(
    name="compose",
    run=run,
    sections=("compose", "enhance", "site", "report", "bodies", "chromosphere"),
    reads=lambda config: (
        Workspace.corona,
        Workspace.sun,
        Workspace.enhanced(_name(config))[0],
        Workspace.table("ingest"),
        Workspace.table("merge"),
        Workspace.table("stars"),
        *((Workspace.chromosphere,) if config.chromosphere.over_corona else ()),
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
