"""One exposure's sky before optics and camera: Sun, corona and Moon.

Brightness is in units of the mean solar disc. Two images are enough for every colour: sunlight,
which is white, and the light of chromosphere and prominences, which is pink.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel
from limbward.simulate.corona import (
    ANGLES,
    HEIGHTS,
    PINK_ANGLES,
    PINK_HEIGHTS,
    PINK_TOP,
    Corona,
)
from limbward.simulate.moon import ALBEDO_SIZE, LIMB_ANGLES, Moon
from limbward.simulate.polar import ANGLE, MEAN, RADIUS, ROW, polar_line, turn_of

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

# Limb darkening at 550 nm, I(mu)/I(1) = a0 + a1 mu + a2 mu^2: A. N. Cox (ed.), *Allen's
# Astrophysical Quantities*, 4th ed. (2000), section 14.7; its mean over the disc is
# a0 + 2/3 a1 + 1/2 a2.
LIMB_DARKENING = (0.30, 0.93, -0.23)
DARKENING_MEAN = LIMB_DARKENING[0] + 2 / 3 * LIMB_DARKENING[1] + LIMB_DARKENING[2] / 2

# Earthshine: the full Moon is 2.5e-6 of the Sun's surface brightness (-12.7 against -26.7 mag),
# and the Earth lights the new Moon about 1e-4 as strongly as the Sun lights the full one.
EARTHSHINE = 2.5e-10


@dataclass(frozen=True)
class Placement:
    """Where everything is in one exposure, at its middle.

    Attributes
    ----------
    sun_x, sun_y, moon_x, moon_y : float
        Centres, pixels.
    to_sky : ndarray, shape (2, 2)
        Multiplies a column (dx, dy) of pixels into (east, north) arcsec, refraction undone.
    sun_radius_arcsec, moon_radius_arcsec : float
    sun_axis_position_angle : float
        Degrees from celestial north through east.
    pixel_scale_arcsec : float
    trail_x, trail_y : float
        How far the image runs across the sensor while the shutter is open, pixels.
    moon_trail_x, moon_trail_y : float
        How far the Moon moves against the Sun meanwhile, pixels.
    """

    sun_x: float
    sun_y: float
    moon_x: float
    moon_y: float
    to_sky: Floats
    sun_radius_arcsec: float
    moon_radius_arcsec: float
    sun_axis_position_angle: float
    pixel_scale_arcsec: float
    trail_x: float = 0.0
    trail_y: float = 0.0
    moon_trail_x: float = 0.0
    moon_trail_y: float = 0.0


@dataclass(frozen=True)
class Scene:
    """Brightness images in units of the mean solar disc, shape (H, W)."""

    white: Pixels
    pink: Pixels


def _table_kernel(table: Any, row: float, column: float, rows: int, columns: int) -> float:
    """Interpolate linearly in a table whose columns wrap round."""
    i = min(int(row), rows - 2)
    fi = row - i
    j = int(column)
    fj = column - j
    j0 = j % columns
    j1 = (j + 1) % columns
    upper = table[i, j0] * (1.0 - fj) + table[i, j1] * fj
    lower = table[i + 1, j0] * (1.0 - fj) + table[i + 1, j1] * fj
    return float(upper * (1.0 - fi) + lower * fi)


_table = kernel(inline="always")(_table_kernel)


def _edge_kernel(
    e: float, n: float, r: float, radius: float, a: Any, trail_x: float, trail_y: float
) -> Any:
    """Return how much of a pixel a disc covers, and the unit outward normal in pixels.

    The ramp is one pixel wide, as the area of a unit square behind a straight edge is on average
    over directions; motion during the exposure widens it.
    """
    gx = (a[0, 0] * e + a[1, 0] * n) / r
    gy = (a[0, 1] * e + a[1, 1] * n) / r
    g = math.sqrt(gx * gx + gy * gy)  # arcsec a pixel across the edge
    gx /= g
    gy /= g
    along = trail_x * gx + trail_y * gy
    width = math.sqrt(1.0 + along * along)
    cover = 0.5 - (r - radius) / g / width
    return min(max(cover, 0.0), 1.0), gx, gy


_edge = kernel(inline="always")(_edge_kernel)


class _Places(NamedTuple):
    """What `Placement` says, as the kernel takes it: pixels, arcsec and turns."""

    sun_x: float
    sun_y: float
    moon_x: float
    moon_y: float
    sun_radius: float
    moon_radius: float
    axis: float
    moon_trail_x: float
    moon_trail_y: float
    to_sky: Floats


class _Tables(NamedTuple):
    """What corona and Moon look like, see `Corona` and `Moon`."""

    structure: Any
    pink: Any
    limb: Any
    albedo: Any


def _moon_kernel(e: float, n: float, r: float, place: Any, a: Any, limb: Any, reach: float) -> Any:
    """Return what `_edge` does of the Moon with its mountains, nothing of it ``reach`` outside."""
    cover, ux, uy = 0.0, 0.0, 0.0
    if r < place.moon_radius - reach:
        cover = 1.0
    elif r < place.moon_radius + reach:
        where = turn_of(e, n) * LIMB_ANGLES + LIMB_ANGLES
        i = int(where)
        f = where - i
        height = limb[i % LIMB_ANGLES] * (1.0 - f) + limb[(i + 1) % LIMB_ANGLES] * f
        cover, ux, uy = _edge(
            e,
            n,
            r,
            place.moon_radius + height,
            a,
            place.moon_trail_x,
            place.moon_trail_y,
        )
    return cover, ux, uy


_moon = kernel(inline="always")(_moon_kernel)


def _free_kernel(sun_cover: float, moon_cover: float, together: float) -> Any:
    """Return how much of a pixel is Sun and how much is sky, of what the Moon leaves.

    What two nearly parallel edges leave free between them matters most at the contacts, where a
    product of coverages would let light through a closed gap. ``together`` is the cosine between
    them.
    """
    if together > 0.5:
        sun_free = max(sun_cover - moon_cover, 0.0)
        sky_free = 1.0 - max(sun_cover, moon_cover)
    elif together < -0.5:
        sun_free = min(sun_cover, 1.0 - moon_cover)
        sky_free = max(1.0 - sun_cover - moon_cover, 0.0)
    else:
        sun_free = sun_cover * (1.0 - moon_cover)
        sky_free = (1.0 - sun_cover) * (1.0 - moon_cover)
    return sun_free, sky_free


_free = kernel(inline="always")(_free_kernel)


def _sky_kernel(x: int, lines: Any, sun_radius: float, structure: Any, pinks: Any) -> Any:
    """Return the white and the pink light of a pixel of sky."""
    angle = lines[ANGLE, x]
    white = lines[MEAN, x] * _table(structure, lines[ROW, x], angle * ANGLES, HEIGHTS, ANGLES)
    pink = 0.0
    rho = max(lines[RADIUS, x] / sun_radius, 1.0)
    if rho < PINK_TOP:
        row = (rho - 1.0) / (PINK_TOP - 1.0) * (PINK_HEIGHTS - 1)
        pink = _table(pinks, row, angle * PINK_ANGLES, PINK_HEIGHTS, PINK_ANGLES)
    return white, pink


_sky = kernel(inline="always")(_sky_kernel)


def _paint_kernel(white: Any, pink: Any, place: Any, tables: Any, earthshine: float) -> None:
    rows, columns = white.shape
    a, sun_r, moon_r = place.to_sky, place.sun_radius, place.moon_radius
    reach = 3.0 * max(abs(a[0, 0]) + abs(a[0, 1]), abs(a[1, 0]) + abs(a[1, 1])) + 8.0
    # Each look into a tuple of arrays counts a reference, which would take most of the time.
    structure, pinks, limb, albedo = tables.structure, tables.pink, tables.limb, tables.albedo
    lines = np.empty((4, columns))
    for y in range(rows):
        polar_line(y, place, lines)
        for x in range(columns):
            r = lines[RADIUS, x]
            mx, my = x - place.moon_x, y - place.moon_y
            me = a[0, 0] * mx + a[0, 1] * my
            mn = a[1, 0] * mx + a[1, 1] * my
            mr = math.sqrt(me * me + mn * mn) + 1e-9
            if mr > moon_r + reach and r > sun_r + reach:  # most pixels, and nothing to divide
                white[y, x], pink[y, x] = _sky(x, lines, sun_r, structure, pinks)
                continue
            moon_cover, ux, uy = _moon(me, mn, mr, place, a, limb, reach)

            w, p = 0.0, 0.0
            if moon_cover < 1.0:
                sun_cover, vx, vy = 0.0, 0.0, 0.0
                if r < sun_r - reach:
                    sun_cover = 1.0
                elif r < sun_r + reach:
                    dx, dy = x - place.sun_x, y - place.sun_y
                    e = a[0, 0] * dx + a[0, 1] * dy
                    n = a[1, 0] * dx + a[1, 1] * dy
                    sun_cover, vx, vy = _edge(e, n, r, sun_r, a, 0.0, 0.0)
                sun_free, sky_free = _free(sun_cover, moon_cover, ux * vx + uy * vy)
                if sun_free > 0.0:
                    s = min(r / sun_r, 1.0)
                    mu = math.sqrt(1.0 - s * s)
                    dark = LIMB_DARKENING[0] + mu * (LIMB_DARKENING[1] + mu * LIMB_DARKENING[2])
                    w += sun_free * dark / DARKENING_MEAN
                if sky_free > 0.0:
                    of_sky, of_limb = _sky(x, lines, sun_r, structure, pinks)
                    w += sky_free * of_sky
                    p = sky_free * of_limb
            if moon_cover > 0.0:
                scale = 0.5 * (ALBEDO_SIZE - 1)
                i = int(min(max((mn / moon_r + 1.0) * scale, 0.0), 2.0 * scale))
                j = int(min(max((me / moon_r + 1.0) * scale, 0.0), 2.0 * scale))
                w += moon_cover * earthshine * albedo[i, j]
            white[y, x] = w
            pink[y, x] = p


_paint = kernel(fastmath=True)(_paint_kernel)


def paint(
    shape: tuple[int, int],
    place: Placement,
    corona: Corona,
    moon: Moon,
    *,
    earthshine: float = EARTHSHINE,
) -> Scene:
    """Return the sharp scene, before any blur.

    Parameters
    ----------
    shape : tuple of int
        Rows and columns.
    place : Placement
    corona : Corona
    moon : Moon
    earthshine : float
        Mean brightness of the Moon's night side.
    """
    white = np.empty(shape, dtype=np.float32)
    pink = np.empty(shape, dtype=np.float32)
    places = _Places(
        place.sun_x,
        place.sun_y,
        place.moon_x,
        place.moon_y,
        place.sun_radius_arcsec,
        place.moon_radius_arcsec,
        place.sun_axis_position_angle / 360.0,
        place.moon_trail_x,
        place.moon_trail_y,
        np.ascontiguousarray(place.to_sky, dtype=float),
    )
    tables = _Tables(corona.structure, corona.pink, moon.limb_arcsec, moon.albedo)
    _paint(white, pink, places, tables, earthshine)
    return Scene(white, pink)
