"""A wide frame with what is in it: bodies named, altitude and azimuth, cardinal points, shadow."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from limbward.landscape.develop import Developed
from limbward.landscape.labels import INK, Sheet
from limbward.landscape.lens import Camera, enu
from limbward.landscape.solved import Solved

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
Edge = tuple[Floats, str]  # directions (P, 3) of the umbra's edge, and its words
ToPixels = Callable[[Floats], Floats]

LEAST_SIDE = 1600  # longer side of the picture
STRETCH = 10.0  # arcsinh: a tenth of the brightest is drawn at half
SKY_TIMES = 8.0  # its middle's light that is drawn white at least
GRID = (190, 205, 225)
HORIZON = (240, 190, 120)
SHADOW, SHADOW_INK = (255, 150, 90), (255, 214, 184)
POINTS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")
EDGE_DEG = 0.3  # of altitude: nearer to the horizon the shadow's edge means little
LIT_DEG = 95.0  # from the axis: beyond, even a fisheye's picture is black
FREE_RADII = 2.2  # of the Sun's radius, kept free of labels around it


@dataclass(frozen=True)
class Mark:
    """A body to name: words, and its direction east, north, up."""

    words: str
    vector: Floats


@dataclass(frozen=True)
class Drawing:
    """What is drawn on a frame.

    Attributes
    ----------
    camera : Camera
    width, height : int
        Of the frame, raw pixels.
    marks : sequence of Mark
    sun : ndarray, shape (3,)
        Its direction.
    sun_radius_deg : float
    shadow : sequence of Edge
        Empty for none.
    foot : str
        A line below.
    """

    camera: Camera
    width: int
    height: int
    marks: Sequence[Mark]
    sun: Floats
    sun_radius_deg: float
    shadow: Sequence[Edge]
    foot: str


def best_to_annotate(solved: Solved) -> int | None:
    """Return the frame in which most bodies are named; without any, the best lit one."""

    def worth(k: int) -> tuple[float, ...]:
        named = len(solved.session.names[k].named)
        return named, -1.0 if solved.frames[k].seen.dark else -abs(solved.fill(k) - 0.2)

    return solved.best(solved.placed, worth)


def marks_of(solved: Solved, k: int) -> list[Mark]:
    """Return the bodies named in a frame, with their magnitudes."""
    sky, vectors = solved.heavens, solved.heavens.vectors(solved.within_s[k])
    return [
        Mark(f"{sky.name[n.body]}  {sky.magnitude[n.body]:.1f}".replace("-", "−"), vectors[n.body])
        for n in solved.session.names[k].named
    ]


def drawing_of(solved: Solved, k: int, shadow: Sequence[Edge], site: str) -> Drawing:
    """Return what is drawn on a frame; ``site`` is the place's name, empty for none."""
    t, seen = solved.within_s[k], solved.frames[k].seen
    return Drawing(
        solved.session.camera(k), seen.width, seen.height, marks_of(solved, k),
        solved.heavens.vectors(t)[0], float(solved.heavens.radii_deg(t)[0]), shadow,
        solved.foot(k, site),
    )  # fmt: skip


def edge_on_sky(altitude: Floats, azimuth: Floats) -> Floats:
    """Return the directions (P, 3) of the umbra's edge, degrees; NaN where it means little."""
    return enu(np.where(altitude > EDGE_DEG, altitude, np.nan), azimuth)


def white_level(picture: NDArray[np.float32]) -> float:
    """Return the light of a linear picture (3, h, w) that is to be drawn white.

    So that a sky that fills the frame stays a sky: its middle is drawn at a third at most.
    """
    light = picture.mean(axis=0)
    top = max(float(np.quantile(light, 0.985)), SKY_TIMES * float(np.median(light)))
    return float(np.clip(top, 1e-6, 1.0))


def toned(picture: NDArray[np.float32], white: float) -> Bytes:
    """Return linear colours (3, h, w) as bytes (h, w, 3) for a screen, dark parts lifted."""
    scaled = np.clip(picture / white, 0.0, 1.0)
    shown = np.arcsinh(STRETCH * scaled) / np.arcsinh(STRETCH)
    return np.moveaxis(np.rint(255.0 * shown), 0, -1).astype(np.uint8)


def annotated(developed: Developed, drawing: Drawing) -> tuple[Bytes, list[str]]:
    """Return a frame with its annotations, and the words for which there was no room.

    Parameters
    ----------
    developed : Developed
    drawing : Drawing
    """
    shown = toned(developed.picture, white_level(developed.picture))
    h, w = shown.shape[:2]
    scale = max(1.0, LEAST_SIDE / max(h, w))
    size = (round(scale * w), round(scale * h))
    if scale > 1.0:
        shown = np.asarray(Image.fromarray(shown).resize(size, Image.Resampling.BICUBIC))
    text_px = max(11, round(max(size) / 130))
    band = round(2.6 * text_px)
    sheet = Sheet(size[0], size[1], text_px)
    at = pixels_of(drawing.camera, developed.factor / scale)
    sun = at(drawing.sun)
    if np.isfinite(sun).all():
        degree = scale / developed.factor / drawing.camera.scale_deg(drawing.sun)
        free = FREE_RADII * drawing.sun_radius_deg * degree + text_px
        sheet.keep_free(float(sun[0]), float(sun[1]), free)
        sheet.untouched = (float(sun[0]), float(sun[1]), free)
    step = _grid_step(drawing)
    _draw_grid(sheet, at, step)  # first: no line of it crosses letters
    lines = [at(vectors) for vectors, _ in drawing.shadow]
    for line in lines:
        edge_line(sheet, line)
    _mark_bodies(sheet, drawing.marks, at, text_px)
    _label_horizon(sheet, drawing.sun, at, step, text_px)
    for line, (_, words) in zip(lines, drawing.shadow, strict=True):
        _label_edge(sheet, line, words, text_px)
    _label_grid(sheet, at, step, text_px)
    out = np.zeros((size[1] + band, size[0], 3), np.uint8)
    out[: size[1]] = sheet.over(shown)
    foot = Sheet(size[0], band, text_px)
    foot.label(drawing.foot, text_px, band / 2, 0.0, sides="r")
    out[size[1] :] = foot.over(out[size[1] :])
    return out, sheet.left_out


def _mark_bodies(sheet: Sheet, marks: Sequence[Mark], at: ToPixels, text_px: int) -> None:
    ring = 0.75 * text_px
    places = [(mark, xy) for mark in marks if np.isfinite(xy := at(mark.vector)).all()]
    for _, (x, y) in places:
        sheet.circle(x, y, ring, INK, 200)
        sheet.keep_free(x, y, ring)
    for mark, (x, y) in places:
        sheet.label(mark.words, x, y, 1.4 * ring, sides="rlab", led=True)


def pixels_of(camera: Camera, factor: float) -> ToPixels:
    """Return the function from directions to pixels of a picture in bins of raw pixels.

    Not a number beyond what a fisheye lights.
    """

    def at(vector: Floats) -> Floats:
        lit = vector @ camera.pose.axes[2] > np.cos(np.radians(LIT_DEG))
        return np.asarray(
            np.where(lit[..., None], (camera.to_pixels(vector) + 0.5) / factor - 0.5, np.nan)
        )

    return at


def edge_line(sheet: Sheet, line: Floats) -> None:
    """Draw the umbra's edge, which no letters cross, with a dark rim for where the sky is bright.

    Parameters
    ----------
    sheet : Sheet
    line : ndarray, shape (P, 2)
        Pixels; NaN where it is broken.
    """
    sheet.line(line, (0, 0, 0), 90, 3.6, dashed=True)
    sheet.line(line, SHADOW, 240, 1.8, dashed=True)
    for a, b in pairwise(line):
        long = float(np.abs(b - a).max())
        if np.isfinite(long) and long < 0.5 * sheet.width:
            for part in np.arange(0.0, 1.0, 4.0 / max(long, 4.0)):
                x, y = a + part * (b - a)
                sheet.keep_free(float(x), float(y), 2.0)


def _label_edge(sheet: Sheet, line: Floats, words: str, text_px: int) -> None:
    """Put words beside the umbra's edge, in turn at every eighth of it until there is room."""
    inside = np.isfinite(line).all(axis=1) & (line > 2 * text_px).all(axis=1)
    inside &= line[:, 0] < sheet.width - 2 * text_px
    inside &= line[:, 1] < sheet.height - 2 * text_px
    for k in np.flatnonzero(inside)[:: max(1, int(inside.sum()) // 8)][1:]:
        x, y = line[k]
        rise, run = np.abs(line[k] - line[k - 1])[::-1]
        sides = "rl" if rise > run else "ab"
        for away in (0.9, 1.6, 2.6):
            beside = away * text_px
            if sheet.label(words, x, y, beside, sides=sides, colour=SHADOW_INK, solid=True):
                return


def _grid_step(drawing: Drawing) -> float:
    """Return degrees between the grid's lines."""
    corners = drawing.camera.to_sky(
        np.array([[0.0, drawing.height / 2], [drawing.width - 1.0, drawing.height / 2]])
    )
    wide = np.degrees(np.arccos(np.clip(corners[0] @ corners[1], -1, 1)))
    return 10.0 if not np.isfinite(wide) or wide > 45 else 5.0


def _draw_grid(sheet: Sheet, at: ToPixels, step: float) -> None:
    around, up = np.arange(0.0, 360.5, 1.0), np.arange(0.0, 90.5, 1.0)
    for azimuth in np.arange(0.0, 360.0, step):
        sheet.line(at(enu(up[: 81 if azimuth % 90 else None], azimuth)), GRID, 46)
    for altitude in np.arange(step, 90.0, step):
        sheet.line(at(enu(altitude, around)), GRID, 46)
    sheet.line(at(enu(0.0, around)), HORIZON, 150, 1.2)


def _label_horizon(sheet: Sheet, sun: Floats, at: ToPixels, step: float, text_px: int) -> None:
    """Write cardinal points, azimuths and the side opposite the Sun along the horizon."""
    for k, name in enumerate(POINTS):
        x, y = at(enu(0.0, 45.0 * k))
        if np.isfinite([x, y]).all():
            sheet.label(name, x, y, 0.5 * text_px, size=1.15, sides="ba", colour=HORIZON)
    level = np.hypot(sun[0], sun[1])
    opposite = np.array([-sun[0] / level, -sun[1] / level, 0.0])
    x, y = at(opposite)
    if np.isfinite([x, y]).all():
        sheet.label("opposite the Sun", x, y, 0.5 * text_px, size=0.9, sides="ab", colour=HORIZON)
    for azimuth in np.arange(0.0, 360.0, step):
        x, y = at(enu(0.0, azimuth))
        if np.isfinite([x, y]).all() and azimuth % 45:
            sheet.label(f"{azimuth:.0f}°", x, y, 0.4 * text_px, size=0.8, sides="ba", alpha=190)


def _label_grid(sheet: Sheet, at: ToPixels, step: float, text_px: int) -> None:
    """Write azimuths along the lower edge where no horizon shows, and altitudes along the left."""
    around, up = np.arange(0.0, 360.5, 1.0), np.arange(0.0, 80.5, 1.0)
    for azimuth in np.arange(0.0, 360.0, step):
        line = at(enu(up, azimuth))
        inside = np.isfinite(line).all(axis=1) & (line > 0).all(axis=1)
        inside &= (line[:, 0] < sheet.width) & (line[:, 1] < sheet.height)
        if inside.any() and not inside[0]:
            x, y = line[int(np.argmax(inside))]
            sheet.label(f"{azimuth:.0f}°", x, y, 0.3 * text_px, size=0.8, sides="abr", alpha=190)
    for altitude in np.arange(step, 90.0, step):
        line = at(enu(altitude, around))
        left = np.isfinite(line).all(axis=1) & (line > 0).all(axis=1)
        left &= (line[:, 0] < sheet.width) & (line[:, 1] < sheet.height)
        if left.any():
            k = np.flatnonzero(left)[int(np.argmin(line[left][:, 0]))]
            x, y = line[k]
            sheet.label(f"{altitude:.0f}°", x, y, 0.3 * text_px, size=0.8, sides="rab", alpha=190)
