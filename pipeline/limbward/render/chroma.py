"""The colours of the corona without their noise, and filtered pictures shown in them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import in_threads, kernel
from limbward.geometry.disc import Disc
from limbward.picture.blur import enlarge
from limbward.radiance.scratch import Room, by_rows, let_go
from limbward.render.colour import luminance, paint, solar_white, to_linear_srgb
from limbward.render.moon import distance
from limbward.render.small import small_of
from limbward.render.smooth import depth_of, fill_nearest, smooth_to_depth

Pixels = NDArray[np.float32]
Box = tuple[slice, slice]

GAP_PX = 24  # beside the Moon, gaps are filled from the nearest pixel in any direction


def around(moon: Disc, shape: tuple[int, ...]) -> Box:
    """Return rows and columns of the Moon's disc and the gaps beside it."""
    reach = moon.radius + GAP_PX
    return (
        slice(max(int(moon.y - reach), 0), max(min(int(moon.y + reach) + 1, shape[0]), 0)),
        slice(max(int(moon.x - reach), 0), max(min(int(moon.x + reach) + 1, shape[1]), 0)),
    )


@kernel
def ratio_to(
    first: int, last: int, plane: Pixels, light: Pixels, good: NDArray[np.bool_], out: Pixels
) -> None:
    """Write rows of a colour over the luminance, from 0 to 4; NaN where it is not good."""
    for y in range(first, last):
        for x in range(plane.shape[1]):
            ratio = np.float32(np.nan)
            if good[y, x]:
                ratio = min(max(plane[y, x] / light[y, x], np.float32(0.0)), np.float32(4.0))
            out[y, x] = ratio


def to_chromaticity(
    linear: Pixels,
    light: Pixels,
    spread: Pixels,
    known: NDArray[np.bool_],
    box: Box,
    room: Room = np.empty,
) -> None:
    """Turn linear sRGB into its ratio to luminance, smoothed where that is noise, in place.

    Parameters
    ----------
    linear : ndarray of float32, shape (3, H, W)
    light, spread : ndarray of float32, shape (H, W)
        Its luminance and the noise of that; ``spread`` is overwritten.
    known : ndarray of bool, shape (H, W)
    box : (slice, slice)
        Where gaps are filled from all directions.
    room : callable
        Makes what is needed meanwhile.
    """
    good = np.empty(light.shape, bool)
    for rows in by_rows(len(light), light, spread):
        np.logical_and(known[rows], light[rows] > 0, out=good[rows])
        part = spread[rows]
        np.divide(np.float32(2.0) * part, light[rows], out=part, where=good[rows])
        part[~good[rows]] = 0.0
    depth = depth_of(spread, target=0.02, room=room)
    for plane in linear:
        for rows in by_rows(len(plane), linear, light, spread):
            count = rows.stop - rows.start
            in_threads(ratio_to, count, plane, light, good, spread, first=rows.start)
        smooth_to_depth(fill_nearest(spread, box, in_place=True), depth, out=plane)
        let_go(linear)


def chromaticity(
    radiance: Pixels,
    sigma: Pixels | None,
    sun: Disc,
    moon: Disc,
    daylight: Pixels,
    to_srgb: Pixels,
    longest: int,
) -> tuple[Pixels, int]:
    """Return the chromaticity of the corona, white in its middle, as a smaller picture.

    The eye sees colour at half the resolution of lightness and less, and at half the size it takes
    a quarter of the time.

    Parameters
    ----------
    radiance : ndarray of float32, shape (3, H, W)
        In the camera's colours; NaN where there is none.
    sigma : ndarray of float32, shape (H, W), optional
        The noise of its green.
    sun, moon : Disc
    daylight : ndarray, shape (3,)
        The camera's multipliers for daylight, for a picture without a middle corona.
    to_srgb : ndarray, shape (3, 3)
        From white-balanced camera colours to linear sRGB.
    longest : int
        Pixels that the longer side of the result may have.

    Returns
    -------
    ratio : ndarray of float32, shape (3, h, w)
        Linear sRGB over luminance; pixels beyond the last whole ``factor`` are left out.
    factor : int
        How many pixels one of its pixels is wide.
    """
    factor = max(-(-max(radiance.shape[1:]) // longest), 1)
    rows, columns = (n // factor * factor for n in radiance.shape[1:])
    small, _ = small_of(radiance[:, :rows, :columns], factor=factor)
    discs = [
        Disc((d.x + 0.5) / factor - 0.5, (d.y + 0.5) / factor - 0.5, d.radius / factor)
        for d in (sun, moon)
    ]
    rho = distance(small.shape[1:], discs[0])
    rho /= np.float32(discs[0].radius)
    linear = to_linear_srgb(small, solar_white(small, rho, daylight), to_srgb, out=small)
    light = luminance(linear)
    spread = np.zeros_like(light)
    if sigma is not None:
        # As a part of the signal the noise of luminance is about that of green; one pixel holds
        # factor^2 of the picture's.
        green = radiance[1, :rows:factor, :columns:factor]
        part = sigma[:rows:factor, :columns:factor] / np.maximum(green, np.float32(1e-30))
        let_go(radiance, sigma)
        np.multiply(np.nan_to_num(part, nan=0.0, posinf=0.0), light, out=spread)
        spread /= np.float32(factor)
        np.nan_to_num(spread, copy=False, nan=0.0)
    to_chromaticity(linear, light, spread, np.isfinite(light), around(discs[1], light.shape))
    return linear, factor


def in_colours(
    lightness: Pixels,
    ratio: Pixels,
    factor: int,
    saturation: float,
    visible: NDArray[np.bool_],
    room: Room = np.empty,
) -> Pixels:
    """Return a grey picture in the colours of the corona.

    Parameters
    ----------
    lightness : ndarray of float32, shape (H, W)
        CIE L*/100, from 0 to 1.
    ratio, factor
        As `chromaticity` returns them.
    saturation : float
    visible : ndarray of bool, shape (H, W)
        What is False is black.
    room : callable
        Makes the result.

    Returns
    -------
    ndarray of float32, shape (3, H, W)
        Encoded sRGB.
    """
    out = room((3, *lightness.shape), np.float32)
    for plane, into in zip(ratio, out, strict=True):
        enlarge(plane, factor, into)
        let_go(out)
    paint(lightness, out, saturation, out=out)
    for rows in by_rows(len(lightness), out):
        out[:, rows] *= visible[rows]
    return out
