"""`limbward sheet`: crescents at even steps on one sheet, with totality in the middle."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from scipy.ndimage import affine_transform, gaussian_filter
from scipy.optimize import least_squares

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.grid import read_geometry
from limbward.geometry.orientation import Orientation
from limbward.limb.measure import measure
from limbward.products.shelf import Product, artefact, shelve
from limbward.products.shots import UP_WORDS, Shots, cuts, read_shots
from limbward.radiance.fits import open_picture
from limbward.render.space import SRGB, Space, to_srgb
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.sequences.canvas import Canvas, Label, write_pdf
from limbward.sequences.cut import Cut, View
from limbward.sequences.deflicker import common_profile, disc_profile, level
from limbward.sequences.layout import evenly, places
from limbward.sky.contacts import overlap_fraction
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

NAMES = ("sequences/sheet.tif", "sequences/sheet.png", "sequences/sheet.pdf")
DISC = 0.33  # of a cell: the Sun's radius
MIDDLE = 0.75  # linear: how bright the disc's middle is drawn
CORONA_REACH = 1.35  # of a cell: how far the corona is shown on a line or an arc


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the sheet of partial phases.

    Raises
    ------
    LimbwardError
        If there is no crescent to put on it.
    """
    options = config.sheet
    shots = read_shots(config, workspace, ("partial",), options.camera, "sheet")
    if not len(shots):
        raise LimbwardError(
            "There are no frames of the partial phases in which the Sun was measured, so there is "
            "nothing to make a sheet of."
        )
    covered = obscuration(shots)
    halves = [np.flatnonzero(shots.middle_s < 0), np.flatnonzero(shots.middle_s >= 0)]
    steps = shots.middle_s if options.steps == "time" else covered
    total = _totality(config, workspace) if options.totality else None
    if total is None:
        chosen = (
            evenly(shots.middle_s, options.count)
            if options.steps == "time"
            else _by_half(steps, halves, options.count)
        )
        before = chosen.size
    else:
        chosen = _by_half(steps, halves, options.count)
        before = int(np.sum(shots.middle_s[chosen] < 0))
    picked = shots.take(chosen)
    cell = float(options.cell_px)
    scale = float(np.median(picked.sun[:, 2])) * picked.scale_arcsec() / (DISC * cell)
    up = picked.up(options.up)
    views = [View(options.cell_px, scale, float(u)) for u in up]
    cells, notes = _cells(config, picked, views, reporter)
    centres, canvas = _laid_out(config, len(picked), before, total is not None)
    on_sheet, rows = [], []
    for i, picture in enumerate(cells):
        x, y = canvas.lighten(picture, *centres[i])
        on_sheet.append((x, y))
        rows.append(_row(picked, i, x, y, scale, float(up[i]), float(covered[chosen[i]])))
        if options.times:
            canvas.labels.append(
                Label(picked.clock_text(i), x, y + 0.40 * cell, max(10.0, 0.055 * cell))
            )
    if total is not None:
        to_up = _middle_up(config, picked, total)
        reach = 0.5 if options.layout == "grid" else CORONA_REACH
        size = 2 * round(reach * cell)
        x, y = canvas.lighten(total.shown(size, scale, to_up), *centres[-1])
        if options.times:
            canvas.labels.append(
                Label(total.clock, x, y + (0.40 if reach == 0.5 else 0.62) * cell, 0.055 * cell)
            )
    caption = _caption(config, picked, total)
    canvas.labels.append(
        Label(
            caption.text(),
            0.06 * cell,
            canvas.picture.shape[1] - 0.12 * cell,
            max(10.0, 0.05 * cell),
            centred=False,
        )
    )
    off = _registration(cells, views, picked)
    details = {
        "layout": options.layout,
        "up": options.up,
        "scale_arcsec": round(scale, 5),
        "registered_px": None if not off else round(max(off), 3),
        "frames": rows,
    }
    _write(workspace, canvas, caption)
    shelve(
        workspace,
        Product(
            name="sheet",
            title="Partial phases",
            caption=f"{len(picked)} crescents by {options.steps}, {UP_WORDS[options.up]}, times in "
            "UTC corrected for the camera's clock.",
            alt=f"{len(picked)} pictures of the partly covered Sun in order of time"
            + (", the corona in the middle" if total is not None else ""),
            picture=NAMES[1],
            numbers={
                "from": picked.clock_text(0) + " UTC",
                "to": picked.clock_text(len(picked) - 1) + " UTC",
                "scale": f"{scale:.2f} arcsec a pixel",
                "discs measured again on the sheet": f"{len(off)}, off by at most {max(off):.2f} px"
                if off
                else "none",
            },
            warnings=notes,
            files=[*NAMES, artefact("sheet")],
            details=details,
        ),
    )
    for note in notes:
        reporter.warn(note)


def obscuration(shots: Shots) -> Floats:
    """Return the covered part of the Sun's area in each frame, by the ephemeris."""
    t = shots.middle_s
    return overlap_fraction(
        np.hypot(*shots.track.offset_arcsec(t).T),
        shots.track.sun_radius_arcsec(t),
        shots.track.moon_radius_arcsec(t),
    )


def _by_half(steps: Floats, halves: list[NDArray[np.int64]], count: int) -> NDArray[np.int64]:
    """Return indices at even steps on both sides of greatest eclipse, in order of time."""
    if not all(h.size for h in halves):
        whole = np.concatenate(halves)
        return np.sort(whole[evenly(steps[whole], count)])
    parts = [
        h[evenly(steps[h], n)] for h, n in zip(halves, ((count + 1) // 2, count // 2), strict=True)
    ]
    return np.sort(np.concatenate(parts))


def _cells(
    config: Config, shots: Shots, views: list[View], reporter: Reporter
) -> tuple[list[Pixels], list[str]]:
    """Return the crescents, encoded and equally bright, and what could not be shown."""
    found: list[Cut | None] = []
    notes = []
    with reporter.progress(len(shots), "crescents") as advance:
        for i, made in cuts(config, shots, shots.sun[:, :2], views):
            if isinstance(made, str):
                notes.append(f"{shots.file[i]} is not on the sheet: {made}")
            found.append(None if isinstance(made, str) else made)
            advance()
    profiles = np.full((len(found), 24), np.nan)
    for i, c in enumerate(found):
        if c is not None:
            profiles[i] = disc_profile(c.picture, c.clipped, *discs_in_view(shots, i, views[i]))
    common = common_profile(profiles)
    cells = []
    for c, profile, view in zip(found, profiles, views, strict=True):
        if c is None:
            cells.append(np.zeros((3, view.side, view.side), np.float32))
            continue
        light = level(profile, common)
        gain = MIDDLE / light if light > 0 else 1.0
        cells.append(SRGB.encode(c.picture * np.float32(gain)))
    return cells, notes


def discs_in_view(
    shots: Shots, i: int, view: View
) -> tuple[tuple[float, float, float], tuple[float, float, float] | None]:
    """Return Sun and Moon in a Sun-centred cut of a frame; the Moon None where not known."""
    camera = shots.orientation[i]
    ratio = camera.pixel_scale_arcsec / view.scale_arcsec
    c = view.centre
    moon = None
    if np.isfinite(shots.moon[i]).all():
        offset = camera.to_sky(*(shots.moon[i, :2] - shots.sun[i, :2]))
        dx, dy = view.orientation.to_pixels(*offset)
        moon = (c + float(dx), c + float(dy), float(shots.moon[i, 2]) * ratio)
    return (c, c, float(shots.sun[i, 2]) * ratio), moon


def _laid_out(
    config: Config, count: int, before: int, middle: bool
) -> tuple[list[tuple[float, float]], Canvas]:
    """Return the centres of the crescents, then of totality if it is there, and a canvas."""
    options = config.sheet
    cell = float(options.cell_px)
    if not middle:
        centres, size = places(options.layout, count, cell)
        shift = np.zeros(2)
    elif options.layout == "grid":
        centres, size = places("grid", count + 1, cell)
        centres = np.vstack([np.delete(centres, before, axis=0), centres[before]])
        shift = np.zeros(2)
    else:
        # Totality takes the room of three, since the corona reaches beyond the Sun.
        centres, _ = places(options.layout, count + 3, cell)
        corona = centres[before + 1]
        centres = np.vstack([np.delete(centres, range(before, before + 3), axis=0), corona])
        low = np.minimum(centres[:-1].min(axis=0) - 0.5 * cell, corona - CORONA_REACH * cell)
        high = np.maximum(centres[:-1].max(axis=0) + 0.5 * cell, corona + CORONA_REACH * cell)
        shift, size = -low, tuple(high - low)
    centres = centres + shift
    canvas = Canvas.blank(size[0], size[1] + 0.2 * cell)
    return [(float(x), float(y)) for x, y in centres], canvas


@dataclass(frozen=True)
class Totality:
    """The composite, encoded sRGB and centred on the Sun, and what is up in it."""

    picture: Pixels
    scale_arcsec: float
    up_position_angle: float
    solar_north: float
    zenith: float
    clock: str

    def shown(self, side: int, scale_arcsec: float, up: float) -> Pixels:
        """Return it at another scale and turn, fading out to a circle."""
        step = scale_arcsec / self.scale_arcsec
        view = Orientation(scale_arcsec, up)
        mine = Orientation(self.scale_arcsec, self.up_position_angle)
        across = np.stack(mine.to_pixels(*view.to_sky(np.array([1.0, 0.0]), np.array([0.0, 1.0]))))
        rows, columns = self.picture.shape[1:]
        middle = np.array([(columns - 1) / 2.0, (rows - 1) / 2.0])
        start = middle - across @ np.full(2, (side - 1) / 2.0)
        blur = 0.45 * math.sqrt(max(step**2 - 1.0, 0.0))
        out = np.empty((3, side, side), np.float32)
        for plane, into in zip(self.picture, out, strict=True):
            smooth = gaussian_filter(plane, blur) if blur > 0.1 else plane
            affine_transform(
                smooth, across[::-1, ::-1], start[::-1], into.shape, into, order=1, cval=0.0
            )
        c = np.arange(side) - (side - 1) / 2.0
        # No further than the composite itself reaches, or its straight edges would show.
        limit = min(side / 2.0, min(rows, columns) / 2.0 / step)
        fade = np.clip((1.0 - np.hypot(c[:, None], c) / limit) / 0.45, 0.0, 1.0)
        return out * (fade * fade * (3 - 2 * fade)).astype(np.float32)


def _totality(config: Config, workspace: Workspace) -> Totality | None:
    """Return the composite of a run; None where there is none."""
    tif, corona = workspace.path(Workspace.composite_tif), workspace.path(Workspace.corona)
    if not (tif.exists() and corona.exists()):
        return None
    try:
        with open_picture(corona) as hdus:
            header = hdus[0].header
        grid, _, _ = read_geometry(header)
        key = {"solar_north": "SOLARPA", "zenith": "ZENITHPA", "camera": "UPPA"}.get(
            config.compose.up
        )
        data = tifffile.imread(tif)
    except (OSError, LookupError, ValueError, tifffile.TiffFileError) as error:
        raise LimbwardError(
            f"The composite cannot be read ({error}); run `limbward run`."
        ) from error
    picture = np.moveaxis(data, -1, 0).astype(np.float32) / np.float32(65535.0)
    return Totality(
        to_srgb(picture, Space(config.compose.profile)),
        grid.scale_arcsec,
        0.0 if key is None else float(header[key]),
        float(header["SOLARPA"]),
        float(header["ZENITHPA"]),
        str(header["DATE-AVG"])[11:19],
    )


def _middle_up(config: Config, shots: Shots, total: Totality) -> float:
    return {
        "solar_north": total.solar_north,
        "celestial_north": 0.0,
        "zenith": total.zenith,
        "camera": shots.orientation[0].up_position_angle,
    }[config.sheet.up]


def cusps(shots: Shots, i: int) -> list[float] | None:
    """Return the position angles of a crescent's two horns about the Sun's centre, degrees.

    By the ephemeris at the frame's corrected time, which is nearer to the truth than the discs
    measured in a single thin crescent. None where the limbs do not cross.
    """
    t = shots.middle_s[i : i + 1]
    east, north = shots.track.offset_arcsec(t)[0]
    rs = float(shots.track.sun_radius_arcsec(t)[0])
    rm = float(shots.track.moon_radius_arcsec(t)[0])
    d = math.hypot(east, north)
    if not (abs(rs - rm) < d < rs + rm):
        return None
    towards = math.degrees(math.atan2(east, north))
    half = math.degrees(math.acos((d * d + rs * rs - rm * rm) / (2.0 * d * rs)))
    return [round((towards + s * half) % 360.0, 3) for s in (-1.0, 1.0)]


def _row(
    shots: Shots, i: int, x: float, y: float, scale: float, up: float, covered: float
) -> dict[str, Any]:
    return {
        "file": str(shots.file[i]),
        "utc": shots.utc(i),
        "utc_sigma_s": None if not np.isfinite(shots.sigma_s[i]) else round(shots.sigma_s[i], 3),
        "obscuration": round(covered, 5),
        "x": x,
        "y": y,
        "sun_radius_px": round(float(shots.sun[i, 2]) * shots.scale_arcsec() / scale, 3),
        "up_position_angle": round(up, 4),
        "cusp_position_angles": cusps(shots, i),
    }


def _registration(cells: list[Pixels], views: list[View], shots: Shots) -> list[float]:
    """Return how far each Sun, measured again on the sheet, lies from its cell's middle, pixels.

    The limb's points are fitted with a circle of the Sun's known radius: on a thin crescent's one
    side, radius and centre could stand in for each other.
    """
    off = []
    for i, (cell, view) in enumerate(zip(cells, views, strict=True)):
        light = SRGB.decode(cell[1]) * np.float32(10000.0)
        t = shots.middle_s[i : i + 1]
        ratio = shots.track.moon_radius_arcsec(t) / shots.track.sun_radius_arcsec(t)
        found = measure(light, cell[1] >= 1.0, radius_ratio=float(ratio[0]))
        if found.sun is not None:
            radius = float(shots.sun[i, 2]) * shots.scale_arcsec() / view.scale_arcsec
            x, y = centre_of(found.sun_limb, (found.sun.x, found.sun.y), radius)
            off.append(math.hypot(x - view.centre, y - view.centre))
    return off


def centre_of(limb: Floats, start: tuple[float, float], radius: float) -> tuple[float, float]:
    """Return the centre of a circle of known radius through edge points (N, 3)."""

    def miss(c: Floats) -> Floats:
        distance = np.hypot(limb[:, 0] - c[0], limb[:, 1] - c[1]) - radius
        return np.asarray(distance / np.maximum(limb[:, 2], 0.02))

    x, y = least_squares(miss, start, loss="soft_l1", f_scale=2.0).x
    return float(x), float(y)


def _caption(config: Config, shots: Shots, total: Totality | None) -> Caption:
    site = config.site
    ns, ew = ("N" if site.latitude >= 0 else "S"), ("E" if site.longitude >= 0 else "W")
    place = f"{abs(site.latitude):.3f}° {ns}, {abs(site.longitude):.3f}° {ew}"
    return Caption(
        description=f"Solar eclipse of {config.eclipse.isoformat()}, {UP_WORDS[config.sheet.up]}",
        title=config.report.title,
        author=config.report.author,
        site=f"{site.name}, {place}" if site.name else place,
        start=shots.utc(0)[:19] + "Z",
        end=shots.utc(len(shots) - 1)[:19] + "Z",
    )


def _write(workspace: Workspace, canvas: Canvas, caption: Caption) -> None:
    picture = canvas.drawn()
    tif, png, pdf = NAMES
    with workspace.writing(tif) as part:
        write_tiff(part, picture, caption)
    with workspace.writing(png) as part:
        write_png(part, picture, caption)
    with workspace.writing(pdf) as part:
        write_pdf(part, canvas, caption.description)
