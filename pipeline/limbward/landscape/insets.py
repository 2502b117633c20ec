"""Suns photographed by a telescope, set into the picture of the Sun's path and magnified."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.develop import Developed
from limbward.landscape.heavens import SUN
from limbward.landscape.lens import altitude_azimuth, enu
from limbward.landscape.path import PathSun, drift_deg_s, even_steps, reach_px
from limbward.landscape.solved import Solved

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

TILT_DEG = 0.05  # over which the direction of the zenith in the picture is measured


@dataclass(frozen=True)
class Inset:
    """Where and how a Sun is set in.

    Attributes
    ----------
    column, row : int
        Pixel of the picture (bins) that is the middle of the cut.
    aside : tuple of float
        The Sun's centre from that pixel's, right and down, pixels of the picture.
    side : int
        Of the cut, pixels, odd.
    scale_arcsec : float
        Of the cut's pixels.
    up_position_angle : float
        Of the picture's upward direction there, degrees from celestial north through east.
    sun : PathSun
        In raw pixels, magnified.
    """

    column: int
    row: int
    aside: tuple[float, float]
    side: int
    scale_arcsec: float
    up_position_angle: float
    sun: PathSun


def insets_at(
    solved: Solved, ground: int, t: Floats, total: NDArray[np.bool_], step_s: float, times: float
) -> list[int]:
    """Return which of a telescope's frames are set in, in order of time.

    Parameters
    ----------
    solved : Solved
    ground : int
        The frame whose landscape the picture has.
    t : ndarray, shape (N,)
        Seconds from greatest eclipse, increasing.
    total : ndarray of bool, shape (N,)
        Frames of totality, of which one at most is taken.
    step_s, times : float
        Time between two Suns, and how many times they are magnified.
    """
    camera, seen = solved.session.camera(ground), solved.frames[ground].seen
    covered = (t >= solved.heavens.first_s) & (t <= solved.heavens.last_s)
    inside = np.zeros(t.size, bool)
    place = camera.to_pixels(solved.heavens.vector_of(SUN, t[covered]))
    with np.errstate(invalid="ignore"):
        inside[covered] = ((place >= 0) & (place < (seen.width, seen.height))).all(axis=-1)
    diameter = 2.0 * times * float(solved.heavens.radii_deg(np.array(0.0))[0])
    rows = even_steps(t, inside & ~total, step_s, drift_deg_s(solved), diameter)
    dark = np.flatnonzero(inside & total)
    if dark.size:
        rows.append(int(dark[np.argmin(np.abs(t[dark]))]))
    return sorted(rows)


def inset(
    solved: Solved, ground: int, factor: int, t: float, zenith_deg: float, times: float, *,
    total: bool,
) -> Inset:  # fmt: skip
    """Return how the Sun of an instant is set into the picture of a frame.

    Parameters
    ----------
    solved : Solved
    ground : int
    factor : int
        Raw pixels to one of the picture.
    t : float
        Seconds from greatest eclipse.
    zenith_deg : float
        Position angle of the zenith at the Sun, degrees.
    times : float
        Magnification.
    total : bool
        Whether it shows the corona.
    """
    camera, vector = solved.session.camera(ground), solved.heavens.vector_of(SUN, np.array(t))
    x, y = (float(v) for v in camera.to_pixels(vector))
    altitude, azimuth = altitude_azimuth(vector)
    dx, dy = camera.to_pixels(enu(altitude + TILT_DEG, azimuth)) - (x, y)
    # Position angles grow anticlockwise in a picture that is not mirrored.
    up = zenith_deg - float(np.degrees(np.arctan2(-dx, -dy)))
    scale = camera.scale_deg(vector)
    radius = times * float(solved.heavens.radii_deg(np.array(t))[0]) / scale
    sun = PathSun(x, y, radius, total)
    at = np.array([(c + 0.5) / factor - 0.5 for c in (x, y)])
    column, row = (int(c) for c in np.rint(at))
    side = 2 * int(np.ceil(reach_px(sun, factor))) + 1
    return Inset(
        column, row, (float(at[0]) - column, float(at[1]) - row), side,
        3600.0 * scale * factor / times, up, sun,
    )  # fmt: skip


def pasted(cut: Pixels, clipped: NDArray[np.bool_], where: Inset, base: Developed) -> Developed:
    """Return a frame like ``base``, black but for a cut (3, S, S) with its middle in its place."""
    _, h, w = base.picture.shape
    picture, over = np.zeros((3, h, w), np.float32), np.zeros((h, w), bool)
    half = where.side // 2
    top, left = where.row - half, where.column - half
    rows = slice(max(0, top), min(h, top + where.side))
    columns = slice(max(0, left), min(w, left + where.side))
    part = (
        slice(rows.start - top, rows.stop - top),
        slice(columns.start - left, columns.stop - left),
    )
    if rows.start < rows.stop and columns.start < columns.stop:
        picture[:, rows, columns] = cut[:, *part]
        over[rows, columns] = clipped[part]
    return Developed(picture, over, base.factor)


def without_own_sun(base: Developed, own: PathSun, insets: Sequence[Inset]) -> Developed:
    """Return the landscape without its own Sun where a larger one is set in over it.

    Within the disc of that Sun the sky of a ring around it is put: the wide frame's own, small and
    overexposed, would stand in the middle of the Moon.
    """
    over = [one.sun for one in insets
            if np.hypot(one.sun.x - own.x, one.sun.y - own.y) < one.sun.radius]  # fmt: skip
    if not over:
        return base
    sun, factor = over[0], base.factor
    y, x = np.mgrid[: base.picture.shape[1], : base.picture.shape[2]]
    r = np.hypot(x + 0.5 - (sun.x + 0.5) / factor, y + 0.5 - (sun.y + 0.5) / factor)
    radius = sun.radius / factor
    ring = (r > 1.5 * radius) & (r < 2.0 * radius + 2.0)
    sky = np.median(base.picture[:, ring], axis=1) if ring.any() else np.zeros(3)
    # The edge lies under the limb, or the inner corona, that is set in.
    inside = np.clip(radius + 0.5 - r, 0.0, 1.0).astype(np.float32)
    picture = base.picture + inside * (sky.astype(np.float32)[:, None, None] - base.picture)
    return replace(base, picture=picture)


def insets_told(
    files: Sequence[str], utc: Sequence[str], made: Sequence[Inset]
) -> list[dict[str, Any]]:
    """Return the Suns that are set in, in raw pixels of the wide frame."""
    return [
        {"file": file, "utc": when, "x": round(one.sun.x, 2), "y": round(one.sun.y, 2),
         "radius": round(one.sun.radius, 2)}
        for file, when, one in zip(files, utc, made, strict=True)
    ]  # fmt: skip
