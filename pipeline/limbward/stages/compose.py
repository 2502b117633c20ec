"""The composite: the finished picture, from the linear corona and one enhancement of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager
from typing import Any

import numpy as np
from astropy.io import fits
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, read_geometry
from limbward.picture.resampling import shrink
from limbward.radiance.fits import open_picture, read_rows
from limbward.render.colour import luminance, to_linear_srgb
from limbward.render.compose import Composite, Look, compose
from limbward.render.figures import Scene, annotate, polar_map, side_by_side
from limbward.render.preview import structure_picture
from limbward.render.rotate import turn_picture
from limbward.render.space import SRGB, Space, to_srgb
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.stages.shown import camera_colours
from limbward.stages.stage import Stage
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats

Pixels = NDArray[np.float32]

UP = {
    "solar_north": ("SOLARPA", "solar north up"),
    "celestial_north": (None, "celestial north up"),
    "zenith": ("ZENITHPA", "zenith up"),
    "camera": ("UPPA", "as the camera stood"),
}
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
        key, words = UP[options.up]
        to_up = 0.0 if key is None else float(header[key])
        valid = np.isfinite(radiance).all(axis=0)
        valid |= _inside(valid.shape, Disc(moon.x, moon.y, moon.radius + 0.05 * sun.radius))
        half = None if options.crop_radii is None else options.crop_radii * sun.radius

        def turned(picture: Pixels, factor: int = 1) -> Pixels:
            seen = valid if factor == 1 else shrink(valid[None], factor=factor)[0][0] == 1.0
            size = None if half is None else half / factor
            return turn_picture(picture, seen, grid.up_position_angle, to_up, size)

        structure = _detail_plane(workspace, config)
        small, factor = shrink(radiance, PANEL_PX)
        linear_panel = turned(_linear_panel(small, header), factor)
        small = shrink(structure[None], factor=factor)[0]
        dark = shrink(_inside(valid.shape, at_moon)[None], factor=factor)[0][0] > 0.5
        filtered_panel = turned(structure_picture(small, ~dark), factor)
        del small
        advance()
        try:
            made = compose(
                radiance,
                _planes(hdus["SIGMA"]) if "SIGMA" in hdus else None,
                structure,
                on_sky,
                at_moon,
                *camera_colours(header),
                _look(config, workspace),
                _surface(header, hdus),
            )
        except ValueError as error:
            raise LimbwardError(f"The corona cannot be composed: {error}.") from error
        del structure, radiance
        advance()
        picture = turned(made.picture)
        tone = _tone(made, options.white_balance)
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
        scene = _scene(header, grid, sun.radius, to_up, factor, caption)
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
            side_by_side(part, _same_size(panels))
        workspace.write_json(Workspace.tone, tone)
        advance()


def _name(config: Config) -> str:
    return config.compose.detail or config.enhance[0].name


def _detail_plane(workspace: Workspace, config: Config) -> Pixels:
    """Return the mean of an enhancement's colours (H, W), read one at a time."""
    with _open(workspace, Workspace.enhanced(_name(config))[0]) as hdus:
        out = np.zeros(hdus[0].shape[1:], np.float32)
        for plane in _planes(hdus[0]):
            out += plane
        out /= hdus[0].shape[0]
        return out


def _open(workspace: Workspace, artefact: str, *names: str) -> AbstractContextManager[fits.HDUList]:
    return open_picture(workspace.path(artefact), names)


def _planes(hdu: fits.ImageHDU) -> Iterator[Pixels]:
    """Read a picture's colours one after the other, rows from the top: never two at once."""
    for c in range(hdu.shape[0]):
        yield np.asarray(read_rows(hdu, c), np.float32)


def _surface(header: Header, hdus: fits.HDUList) -> tuple[Pixels, int, int] | None:
    if "MOON" not in hdus:
        return None
    surface = np.stack(list(_planes(hdus["MOON"])))
    return surface, int(header["MOONTOP"]), int(header["MOONLEFT"])


def _linear_panel(radiance: Pixels, header: Header) -> Pixels:
    """Return the corona as it is, without tone curve or filter, white at the limb's brightness."""
    linear = to_linear_srgb(radiance, *camera_colours(header))
    sample = luminance(linear[:, ::5, ::5])
    white = float(np.nanpercentile(sample, 99.5)) if np.isfinite(sample).any() else 1.0
    linear /= np.float32(max(white, 1e-30))
    np.nan_to_num(linear, copy=False, nan=0.0)
    for plane in linear:
        plane[:] = SRGB.encode(plane)
    return linear


def _same_size(panels: list[tuple[str, Pixels]]) -> list[tuple[str, Pixels]]:
    rows = min(p.shape[1] for _, p in panels)
    columns = min(p.shape[2] for _, p in panels)
    out = []
    for name, p in panels:
        y, x = (p.shape[1] - rows) // 2, (p.shape[2] - columns) // 2
        out.append((name, p[:, y : y + rows, x : x + columns]))
    return out


def _look(config: Config, workspace: Workspace) -> Look:
    options = config.compose
    blur = options.limb_px
    if blur is None:
        blur = _measured_blur(workspace)
    return Look(
        detail=options.detail_strength,
        saturation=options.saturation,
        white_balance=options.white_balance,
        sky=options.sky,
        highlights=options.highlights,
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
    sharpness = floats(workspace.read_table(Workspace.table("ingest")), "sharpness")
    used = np.asarray(workspace.read_table(Workspace.table("merge"))["used"], bool)
    measured = sharpness[used & np.isfinite(sharpness)]
    return float(np.median(measured)) if measured.size else USUAL_BLUR_PX


def _inside(shape: tuple[int, ...], disc: Disc) -> NDArray[np.bool_]:
    y, x = np.ogrid[: shape[0], : shape[1]]
    return np.asarray((x - disc.x) ** 2 + (y - disc.y) ** 2 < disc.radius**2)


def _caption(config: Config, header: Header, words: str) -> Caption:
    description = (
        f"Solar corona, {str(header['DATE-AVG'])[:19]} UTC, {header['NFRAMES']} frames "
        f"({header['EXPTOTAL']:.1f} s) with {header['CAMERA']}, {words}"
    )
    site = config.site
    ns, ew = ("N" if site.latitude >= 0 else "S"), ("E" if site.longitude >= 0 else "W")
    place = f"{abs(site.latitude):.3f}° {ns}, {abs(site.longitude):.3f}° {ew}"
    return Caption(
        description=description,
        title=config.compose.title or config.report.title,
        author=config.compose.author or config.report.author,
        site=f"{site.name}, {place}" if site.name else place,
        start=f"{str(header['DATE-BEG'])[:19]}Z",
        end=f"{str(header['DATE-END'])[:19]}Z",
    )


def _scene(
    header: Header, grid: Grid, sun_radius: float, up: float, factor: int, caption: Caption
) -> Scene:
    return Scene(
        sun_radius_px=sun_radius / factor,
        scale_arcsec=grid.scale_arcsec * factor,
        up_position_angle=up,
        solar_north=float(header["SOLARPA"]),
        lines=(
            caption.description,
            f"{caption.site}   {caption.start} to {caption.end}   "
            "dashed circle: the Sun's limb; ring: position angle from celestial north",
        ),
        title=caption.title,
    )


def _tone(made: Composite, white_balance: str) -> dict[str, Any]:
    tone = made.tone
    return {
        "curve": "L = floor + (ceiling - floor) asinh((Y - dark) / soft) / "
        "asinh((bright - dark) / soft)",
        "inverse": "Y = dark + soft sinh((L - floor) / (ceiling - floor) "
        "asinh((bright - dark) / soft))",
        "dark": tone.dark,
        "bright": tone.bright,
        "soft": tone.soft,
        "floor": tone.floor,
        "ceiling": tone.ceiling,
        "white_balance": white_balance,
        "multipliers": [float(m) for m in made.white],
    }


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
