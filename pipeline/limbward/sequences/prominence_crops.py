"""Crops of prominences out of a linear picture of the corona, and an overview of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import zoom

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.render.colour import solar_white, to_linear_srgb
from limbward.render.space import SRGB
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.layout import places
from limbward.sequences.prominences import Prominence, excess_map, find_prominences

Pixels = NDArray[np.float32]

ENLARGED_PX = 360  # about the side of a crop on the overview


def white_corona(radiance: Pixels, sun: Disc, daylight: Pixels, matrix: Pixels) -> Pixels:
    """Return a merge in linear sRGB with a white corona.

    Parameters
    ----------
    radiance : ndarray of float32, shape (3, H, W)
    sun : Disc
        In the merge.
    daylight : ndarray, shape (3,)
        The camera's balance for daylight, for a corona too faint to tell its own.
    matrix : ndarray, shape (3, 3)
        From balanced camera colours to sRGB.
    """
    y, x = np.ogrid[: radiance.shape[1], : radiance.shape[2]]
    rho = (np.hypot(x - sun.x, y - sun.y) / sun.radius).astype(np.float32)
    return to_linear_srgb(radiance, solar_white(radiance, rho, daylight), matrix)


def prominences_of(linear: Pixels, grid: Grid, sun: Disc, blur_px: float = 0.0) -> list[Prominence]:
    """Return the prominences of a picture with a white corona, the highest first.

    Parameters
    ----------
    linear : ndarray of float32, shape (3, H, W)
    grid : Grid
    sun : Disc
    blur_px : float
        Blur of the picture, standard deviation, pixels.
    """
    near, (x0, y0) = _near(linear, sun)
    centre = sun.x - x0, sun.y - y0
    return find_prominences(
        excess_map(near, centre, sun.radius, grid.scale_arcsec, grid.up_position_angle, blur_px)
    )


def lowest_in_sight(linear: Pixels, grid: Grid, sun: Disc) -> float:
    """Return from which height above the Sun's limb on a picture shows anything, arcsec."""
    y, x = np.ogrid[: linear.shape[1], : linear.shape[2]]
    seen = np.isfinite(linear[1]) & (linear[1] > 0)
    rho = np.hypot(x - sun.x, y - sun.y)[seen]
    return float(max(rho[rho > sun.radius].min() - sun.radius, 0.0)) * grid.scale_arcsec


def _near(linear: Pixels, sun: Disc, reach: float = 1.35) -> tuple[Pixels, tuple[int, int]]:
    """Return the part of a picture around the Sun, and its first pixel (x, y)."""
    half = reach * sun.radius
    y0, x0 = max(0, int(sun.y - half)), max(0, int(sun.x - half))
    y1, x1 = int(sun.y + half) + 2, int(sun.x + half) + 2
    return linear[:, y0:y1, x0:x1], (x0, y0)


def box_of(p: Prominence, grid: Grid, sun: Disc, margin: float) -> tuple[slice, slice]:
    """Return the columns and rows of a crop: limb, prominence and ``margin`` arcsec of room."""
    xs, ys = [], []
    span = (p.last - p.first) % 360.0
    for a in p.first + np.linspace(0.0, span, 9):
        for h in (-margin, p.height_arcsec + margin):
            r = sun.radius + h / grid.scale_arcsec
            dx, dy = grid.orientation.towards(a)
            xs.append(sun.x + float(dx) * r)
            ys.append(sun.y + float(dy) * r)
    room = margin / grid.scale_arcsec
    return (
        slice(max(0, int(min(xs) - room)), min(grid.width, int(max(xs) + room) + 1)),
        slice(max(0, int(min(ys) - room)), min(grid.height, int(max(ys) + room) + 1)),
    )


def entry_of(
    p: Prominence, km_per_arcsec: float, box: tuple[slice, slice], file: str
) -> dict[str, Any]:
    """Return what is known of a prominence, for other programs; ``file`` is its crop's."""
    return {
        "file": file,
        **p.entry(km_per_arcsec),
        "moon_limb_arcsec": _known(p.moon_arcsec),
        "height_above_moon_arcsec": _known(p.seen_arcsec),
        "red_excess": round(p.excess, 2),
        "columns": [box[0].start, box[0].stop],
        "rows": [box[1].start, box[1].stop],
    }


def _known(value: float) -> float | None:
    return round(value, 2) if math.isfinite(value) else None


def crop_of(linear: Pixels, box: tuple[slice, slice]) -> Pixels:
    """Return a part of a linear picture, toned and encoded; ``box`` is of columns and rows."""
    return SRGB.encode(_toned(linear[:, box[1], box[0]]))


def _toned(crop: Pixels) -> Pixels:
    """Return a crop from 0 to 1: a gentle curve under which the pink neither clips nor pales."""
    shown = np.nan_to_num(np.clip(crop, 0.0, None))
    seen = shown.max(axis=0)
    top = float(np.quantile(seen[seen > 0], 0.998)) if (seen > 0).any() else 1.0
    soft = np.float32(8.0)
    level = seen / np.float32(top)
    drawn = np.arcsinh(soft * np.minimum(level, 1.0)) / np.arcsinh(soft)
    return np.asarray(shown * (0.9 * drawn / np.maximum(seen, 1e-30)), np.float32)


def overview(found: Sequence[Prominence], crops: Sequence[Pixels], km_per_arcsec: float) -> Pixels:
    """Return the crops side by side, enlarged, with their measures."""
    largest = max(max(c.shape[1:]) for c in crops)
    times = max(1.0, ENLARGED_PX / largest)
    cell = largest * times + 60.0
    centres, size = places("grid", len(found), cell)
    canvas = Canvas.blank(*size)
    for n, (p, c, (x, y)) in enumerate(zip(found, crops, centres, strict=True), start=1):
        shown = np.clip(zoom(c, (1, times, times), order=3), 0.0, 1.0)
        canvas.lighten(shown, float(x), float(y) - 25.0)
        top = float(y) + 0.5 * cell - 48.0
        canvas.labels.append(Label(f"{n}   P {p.position_angle:.1f}°", float(x), top, 16.0))
        height = f"{p.height_text()}″ = {p.thousand_km(km_per_arcsec):.0f} thousand km"
        canvas.labels.append(Label(height, float(x), top + 22.0, 16.0))
    return canvas.drawn()
