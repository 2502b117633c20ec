"""The finished picture with its coordinates drawn in, beside its sources, and unwrapped."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Any

import numpy as np
from astropy.io.fits import Header
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import Circle
from matplotlib.textpath import text_to_path
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from limbward.geometry.grid import north_known
from limbward.geometry.orientation import Orientation
from limbward.picture.resampling import shrink
from limbward.render.writers import QUICK, Caption

Pixels = NDArray[np.float32]

LONGEST_PX = 2400  # of an annotated picture; lines and letters are drawn for this size
DPI = 100
INK = "#ffe9a8"
PAPER = "#0b0c10"
BARS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 3000)  # arcmin, lengths of the scale bar
QUIET: dict[str, Any] = {"color": INK, "alpha": 0.75, "linewidth": 1.0}


@dataclass(frozen=True)
class Scene:
    """How a turned picture lies on the sky.

    Attributes
    ----------
    sun_radius_px, scale_arcsec : float
        The Sun's radius and the size of a pixel.
    up_position_angle, solar_north : float
        Position angles of the picture's up and of the Sun's north pole, degrees from celestial
        north through east.
    north_known : bool
        If it is not, angles count from the camera's up and no direction is drawn.
    lines : tuple of str
        What is written below: date, site, exposures.
    stars : tuple of (str, float, float)
        Names, and offsets east and north from the Sun, arcsec.
    title : str
    aside : (float, float)
        From the picture's middle to the Sun's centre, pixels to the right and down.
    """

    sun_radius_px: float
    scale_arcsec: float
    up_position_angle: float
    solar_north: float
    north_known: bool
    lines: tuple[str, ...] = ()
    title: str = ""
    stars: tuple[tuple[str, float, float], ...] = ()
    aside: tuple[float, float] = (0.0, 0.0)

    def sun_in(self, width: int, height: int, factor: int = 1) -> tuple[float, float]:
        """Return the Sun's centre, pixels, in the picture made smaller about its middle."""
        x, y = self.aside
        return (width - 1) / 2.0 + x / factor, (height - 1) / 2.0 + y / factor


def _canvas(width: float, height: float) -> Figure:
    figure = Figure(figsize=(width / DPI, height / DPI), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def _save(figure: Figure, path: str | PathLike[str]) -> None:
    figure.savefig(
        path, format="png", dpi=DPI, metadata={"Software": "limbward"}, pil_kwargs={**QUICK}
    )


def _direction(angle: float, up: float) -> tuple[float, float]:
    """Return the step right and down towards a position angle."""
    dx, dy = Orientation(1.0, up).towards(angle)
    return float(dx), float(dy)


def scene_of(
    header: Header,
    sun_radius_px: float,
    scale_arcsec: float,
    up: float,
    caption: Caption,
    stars: Sequence[tuple[str, float, float]] = (),
    aside: tuple[float, float] = (0.0, 0.0),
) -> Scene:
    """Return what is written round a picture of a given scale, turned ``up``.

    Without a known north, ``stars`` are left out; ``aside`` is as `Scene` has it.
    """
    known = north_known(header)
    ring = "position angle from celestial north" if known else "angle from the camera's up"
    return Scene(
        sun_radius_px=sun_radius_px,
        scale_arcsec=scale_arcsec,
        up_position_angle=up,
        solar_north=float(header["SOLARPA"]) if known else up,
        north_known=known,
        lines=(
            caption.description,
            f"{caption.site}   {caption.span()}   dashed circle: the Sun's limb; ring: {ring}",
        ),
        title=caption.title,
        stars=tuple(stars) if known else (),
        aside=aside,
    )


def annotate(path: str | PathLike[str], picture: Pixels, scene: Scene) -> None:
    """Write a PNG of a picture with directions, a ring of position angles, circles and a scale.

    Parameters
    ----------
    path : path
    picture : ndarray of float32, shape (3, H, W)
        Encoded sRGB.
    scene : Scene
    """
    small, factor = shrink(picture, LONGEST_PX)
    height, width = small.shape[1:]
    radius = scene.sun_radius_px / factor
    size = max(width / 110.0, 7.0)
    words = ((scene.title,) if scene.title else ()) + scene.lines
    lines = [part for line in words for part in _wrapped(line, 0.72 * size, 0.976 * width)]
    foot = round(size * (2.6 + 1.5 * len(lines)))
    figure = _canvas(width, height + foot)
    axes = figure.add_axes((0.0, foot / (height + foot), 1.0, height / (height + foot)))
    axes.imshow(np.moveaxis(small, 0, -1), interpolation="nearest")
    axes.set_axis_off()
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    x0, y0 = scene.sun_in(width, height, factor)
    up = scene.up_position_angle
    half = min(x0, y0, width - 1 - x0, height - 1 - y0) + 0.5
    reach = np.hypot(max(x0, width - 1 - x0), max(y0, height - 1 - y0))

    between = 30.0 * round((up + 30.0) / 30.0) + 15.0  # upper left, beside the ring's labels
    for k in range(2, int(reach / radius) + 1):
        axes.add_patch(Circle((x0, y0), k * radius, fill=False, linestyle=(0, (2, 6)), **QUIET))
        dx, dy = _direction(between, up)
        x, y = x0 + dx * k * radius, y0 + dy * k * radius
        if size < x < width - size and size < y < height - size:
            axes.text(x, y, f"{k} R☉", color=INK, fontsize=0.62 * size, ha="right", va="bottom")
    axes.add_patch(Circle((x0, y0), radius, fill=False, linestyle=(0, (6, 4)), **QUIET))

    ring = half - 2.4 * size
    axes.add_patch(Circle((x0, y0), ring, fill=False, **QUIET))
    for angle in range(0, 360, 10):
        dx, dy = _direction(float(angle), up)
        length = size * (1.0 if angle % 30 == 0 else 0.5)
        axes.plot(
            [x0 + dx * ring, x0 + dx * (ring - length)],
            [y0 + dy * ring, y0 + dy * (ring - length)],
            **QUIET,
        )
        if angle % 30 == 0:
            at = ring + 1.1 * size
            axes.text(
                x0 + dx * at, y0 + dy * at, f"{angle}°", color=INK, fontsize=0.62 * size,
                ha="center", va="center",
            )  # fmt: skip
    if scene.north_known:
        _solar_north(axes, (x0, y0), radius, size, _direction(scene.solar_north, up))
        _compass(axes, width, size, up)
    _scale_bar(axes, height, size, scene, factor)
    _stars(axes, (width, height), size, scene, factor)
    below = figure.add_axes((0.0, 0.0, 1.0, foot / (height + foot)))
    below.set_axis_off()
    below.text(
        0.012, 0.5, "\n".join(lines), color="#e8e8e8", fontsize=0.72 * size, va="center",
        linespacing=1.5,
    )  # fmt: skip
    _save(figure, path)


def _wrapped(line: str, points: float, width: float) -> list[str]:
    """Return a line in as many as fit into a width, pixels; what stands apart keeps its gap."""
    size = FontProperties(size=points * DPI / 72.0)

    def long(text: str) -> float:
        # By the font's advances: outlines of all letters take a hundred times as long.
        return float(text_to_path.get_text_width_height_descent(text, size, ismath=False)[0])

    found = [""]
    for word in re.findall(r"\s*\S+", line):
        if found[-1] and long(found[-1] + word) > width:
            found.append(word.strip())
        else:
            found[-1] += word
    return found


def _solar_north(
    axes: Any, middle: tuple[float, float], radius: float, size: float, way: tuple[float, float]
) -> None:
    (x0, y0), (dx, dy) = middle, way
    axes.annotate(
        "", (x0 + dx * 1.0 * radius, y0 + dy * 1.0 * radius),
        (x0 + dx * 0.55 * radius, y0 + dy * 0.55 * radius),
        arrowprops={"arrowstyle": "-|>", "color": INK, "alpha": 0.9},
    )  # fmt: skip
    axes.text(
        x0 + dx * 0.45 * radius, y0 + dy * 0.45 * radius, "solar north", color=INK,
        fontsize=0.62 * size, ha="center", va="center",
    )  # fmt: skip


def _compass(axes: Any, width: int, size: float, up: float) -> None:
    x0, y0, arm = width - 7.0 * size, 7.0 * size, 3.6 * size
    for angle, name in ((0.0, "N"), (90.0, "E")):
        dx, dy = _direction(angle, up)
        axes.annotate(
            "", (x0 + dx * arm, y0 + dy * arm), (x0, y0),
            arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.5},
        )  # fmt: skip
        axes.text(
            x0 + dx * arm * 1.3, y0 + dy * arm * 1.3, name, color=INK, fontsize=0.8 * size,
            ha="center", va="center",
        )  # fmt: skip


def _scale_bar(axes: Any, height: int, size: float, scene: Scene, factor: int) -> None:
    scale = scene.scale_arcsec * factor
    wanted = 7.0 * size * scale / 60.0
    minutes = next((m for m in BARS if m > wanted), BARS[-1])
    name = f"{minutes}′" if minutes <= 120 else f"{minutes // 60}°"
    length = minutes * 60.0 / scale
    x0, y0 = 2.0 * size, height - 2.0 * size
    axes.plot([x0, x0 + length], [y0, y0], color=INK, linewidth=2.0)
    axes.text(
        x0 + length / 2.0, y0 - 0.5 * size, name, color=INK, fontsize=0.7 * size,
        ha="center", va="bottom",
    )  # fmt: skip


def _stars(axes: Any, shape: tuple[int, int], size: float, scene: Scene, factor: int) -> None:
    """Put rings around stars and planets, and their names beside them."""
    width, height = shape
    seen = Orientation(scene.scale_arcsec * factor, scene.up_position_angle)
    for name, east, north in scene.stars:
        dx, dy = seen.to_pixels(east, north)
        x0, y0 = scene.sun_in(width, height, factor)
        x, y = x0 + float(dx), y0 + float(dy)
        if not (size < x < width - size and size < y < height - size):
            continue
        axes.add_patch(Circle((x, y), 0.55 * size, fill=False, **QUIET))
        left = x > 0.8 * width  # no room for a name to the right
        axes.text(
            x + (-0.9 if left else 0.9) * size, y, name, color=INK, fontsize=0.62 * size,
            ha="right" if left else "left", va="center",
        )  # fmt: skip


def side_by_side(path: str | PathLike[str], panels: list[tuple[str, Pixels]]) -> None:
    """Write a PNG of pictures next to each other, each with its name above.

    Parameters
    ----------
    path : path
    panels : list of (str, ndarray of float32, shape (3, H, W))
        All of one size.
    """
    small = [(name, shrink(picture, 1200)[0]) for name, picture in panels]
    height, width = small[0][1].shape[1:]
    head, gap = 44, 12
    total = len(small) * width + (len(small) - 1) * gap
    figure = _canvas(total, height + head)
    for k, (name, picture) in enumerate(small):
        left = k * (width + gap) / total
        axes = figure.add_axes((left, 0.0, width / total, height / (height + head)))
        axes.imshow(np.moveaxis(picture, 0, -1), interpolation="nearest", aspect="auto")
        axes.set_axis_off()
        figure.text(
            left + width / total / 2, 1.0 - 0.5 * head / (height + head), name,
            color="#e8e8e8", fontsize=14, ha="center", va="center",
        )  # fmt: skip
    _save(figure, path)


def polar_map(path: str | PathLike[str], picture: Pixels, scene: Scene, moon_top: float) -> None:
    """Write a PNG of a picture unwrapped about the Sun, with labelled axes.

    Parameters
    ----------
    path : path
    picture : ndarray of float32, shape (3, H, W)
        Encoded sRGB.
    scene : Scene
    moon_top : float
        Where the map begins, solar radii.
    """
    height, width = picture.shape[1:]
    x0, y0 = scene.sun_in(width, height)
    reach = np.hypot(max(x0, width - x0), max(y0, height - y0)) / scene.sun_radius_px
    angle = np.linspace(0.0, 360.0, 1801)
    rho = np.linspace(moon_top, reach, 700)
    dx, dy = Orientation(1.0, scene.up_position_angle).towards(angle + scene.solar_north)
    x = x0 + dx * rho[:, None] * scene.sun_radius_px
    y = y0 + dy * rho[:, None] * scene.sun_radius_px
    shown = np.stack(
        [map_coordinates(plane, [y, x], order=1, cval=0.06, output="f4") for plane in picture], -1
    )
    figure = _canvas(1900, 860)
    axes = figure.add_axes((0.05, 0.1, 0.94, 0.82), facecolor=PAPER)
    axes.imshow(
        shown, origin="lower", aspect="auto", extent=(0.0, 360.0, float(rho[0]), float(rho[-1]))
    )
    axes.set_xticks(range(0, 361, 30))
    axes.set_xlabel(
        "Position angle from solar north through east (degrees)"
        if scene.north_known
        else "Angle from the camera's up, anticlockwise (degrees)",
        color="#e8e8e8",
    )
    axes.set_ylabel("Distance from the Sun's centre (solar radii)", color="#e8e8e8")
    axes.tick_params(colors="#e8e8e8")
    directions = ((0, "N"), (90, "E"), (180, "S"), (270, "W"), (360, "N"))
    for place, name in directions if scene.north_known else ():
        axes.text(place, float(rho[-1]), name, color=INK, ha="center", va="bottom", fontsize=12)
    _save(figure, path)
