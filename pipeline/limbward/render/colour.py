"""Colours: white from the corona itself, camera colours to sRGB, lightness with chromaticity."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import in_threads, kernel
from limbward.radiance.scratch import Room, by_rows
from limbward.render.space import SRGB, Space

Pixels = NDArray[np.float32]

LUMINANCE = SRGB.luminance  # of linear sRGB, IEC 61966-2-1
MID_CORONA = (1.15, 1.7)  # solar radii
FURTHER_OUT = ((1.7, 2.3), (2.3, 3.0))  # where long exposures only have clipped the middle corona
SEEN = 0.5  # of a ring's pixels, which must have a value in all colours
ROWS = 256
CODES = 65537


def solar_white(radiance: Pixels, rho: Pixels, daylight: Pixels) -> Pixels:
    """Return the multipliers of R, G, B that make the corona white, G = 1.

    Parameters
    ----------
    radiance : ndarray, shape (3, H, W)
        In the camera's colours.
    rho : ndarray, shape (H, W)
        Distance from the Sun's centre, solar radii.
    daylight : ndarray, shape (3,)
        The camera's multipliers for daylight, for a picture without a corona up to 3 solar radii.

    Returns
    -------
    ndarray of float32, shape (3,)

    Notes
    -----
    The inner corona is sunlight scattered by free electrons and has the Sun's colour (H. C. van de
    Hulst, Bull. Astron. Inst. Neth. 11 (1950) 135); low air reddens it as it does everything. From
    1.15 to 1.7 solar radii it is far brighter than the sky and above the prominences. Where half of
    that is clipped in all frames, what is left is not its fair share, and the next ring serves: the
    sky, which is bluer, tints it by some per cent.
    """
    for inner, outer in (MID_CORONA, *FURTHER_OUT):
        parts = []
        for rows in by_rows(len(rho), radiance, rho):
            ring = (rho[rows] > inner) & (rho[rows] < outer)
            parts.append(radiance[:, rows][:, ring])
        light = np.concatenate(parts, axis=1)
        good = np.isfinite(light).all(axis=0) & (light > 0).all(axis=0)
        if np.count_nonzero(good) < max(100, SEEN * good.size):
            continue
        light = light[:, good]
        return np.array([np.median(light[1] / light[c]) for c in range(3)], np.float32)
    return np.asarray(daylight, np.float32)


def to_linear_srgb(
    radiance: Pixels, white: Pixels, matrix: Pixels, out: Pixels | None = None
) -> Pixels:
    """Return camera colours as linear sRGB.

    Parameters
    ----------
    radiance : ndarray, shape (3, H, W)
    white : ndarray, shape (3,)
        Multipliers that make white neutral.
    matrix : ndarray, shape (3, 3)
        From white-balanced camera colours to linear sRGB.
    out : ndarray, optional
        Where to write; may be ``radiance`` itself.
    """
    both = np.asarray(matrix, np.float32) * np.asarray(white, np.float32)[None, :]
    out = np.empty(radiance.shape, np.float32) if out is None else out
    for rows in by_rows(radiance.shape[1], radiance, out):
        count = rows.stop - rows.start
        in_threads(mix_colours, count, radiance, both, out, first=rows.start)
    return out


@kernel
def mix_colours(first: int, end: int, picture: Pixels, matrix: Pixels, out: Pixels) -> None:
    """Multiply the colours of rows by a matrix; ``out`` may be ``picture``."""
    for y in range(first, end):
        for x in range(picture.shape[2]):
            r, g, b = picture[0, y, x], picture[1, y, x], picture[2, y, x]
            for c in range(3):
                out[c, y, x] = matrix[c, 0] * r + matrix[c, 1] * g + matrix[c, 2] * b


def luminance(linear: Pixels, room: Room = np.empty) -> Pixels:
    """Return the luminance (CIE Y) of linear sRGB (3, H, W)."""
    out = room(linear.shape[1:], np.float32)
    for rows in by_rows(len(out), linear, out):
        band = linear[0, rows] * LUMINANCE[0]
        band += linear[1, rows] * LUMINANCE[1]
        band += linear[2, rows] * LUMINANCE[2]
        out[rows] = band
    return out


def paint(
    lightness: Pixels,
    ratio: Pixels,
    saturation: float = 1.0,
    space: Space = SRGB,
    out: Pixels | None = None,
) -> Pixels:
    """Return encoded colours of given lightness and chromaticity.

    Parameters
    ----------
    lightness : ndarray, shape (H, W)
        CIE L*/100, from 0 to 1.
    ratio : ndarray, shape (3, H, W)
        Linear sRGB over its luminance.
    saturation : float
        0 is grey, 1 the chromaticity as it is.
    space : Space
        Of the result.
    out : ndarray, shape (3, H, W), optional
        Where to write; may be ``ratio`` itself.

    Returns
    -------
    ndarray of float32, shape (3, H, W)
        From 0 to 1. A colour too bright for the space is made darker, not paler, so that
        prominences stay pink.
    """
    out = np.empty(ratio.shape, np.float32) if out is None else out
    strength, codes = np.float32(saturation), _codes(space)
    for rows in by_rows(len(lightness), lightness, ratio, out):
        in_threads(
            paint_pixels, rows.stop - rows.start, lightness, ratio, strength, space.from_srgb,
            space.luminance, codes, out, first=rows.start,
        )  # fmt: skip
    return out


@cache
def _codes(space: Space) -> Pixels:
    """Return the encoded values of the squares of `CODES` numbers from 0 to 1.

    Read linearly between them it is 1.5e-6 off at most, and spares three powers a pixel.
    """
    return space.encode(np.linspace(0.0, 1.0, CODES, dtype=np.float32) ** 2)


@kernel
def paint_pixels(
    first: int,
    end: int,
    lightness: Pixels,
    ratio: Pixels,
    saturation: np.float32,
    matrix: Pixels,
    weights: Pixels,
    codes: Pixels,
    out: Pixels,
) -> None:
    """Give rows of a picture the colours of ``ratio`` at their lightness."""
    one, zero, last = np.float32(1.0), np.float32(0.0), np.float32(codes.size - 1)
    for row in range(first, end):
        for x in range(lightness.shape[1]):
            f = min(max(lightness[row, x], zero), one) * np.float32(100.0 / 116.0)
            f += np.float32(16.0 / 116.0)
            y = np.float32(108.0 / 841.0) * (f - np.float32(4.0 / 29.0))
            if f > np.float32(6.0 / 29.0):
                y = f * f * f
            r = one + saturation * (ratio[0, row, x] - one)
            g = one + saturation * (ratio[1, row, x] - one)
            b = one + saturation * (ratio[2, row, x] - one)
            red = max(matrix[0, 0] * r + matrix[0, 1] * g + matrix[0, 2] * b, zero)
            green = max(matrix[1, 0] * r + matrix[1, 1] * g + matrix[1, 2] * b, zero)
            blue = max(matrix[2, 0] * r + matrix[2, 1] * g + matrix[2, 2] * b, zero)
            light = weights[0] * red + weights[1] * green + weights[2] * blue
            y /= max(light, np.float32(1e-6))
            y /= max(y * max(red, green, blue), one)
            for c in range(3):
                linear = y * (red if c == 0 else green if c == 1 else blue)
                at = np.sqrt(min(linear, one)) * last
                k = min(int(at), codes.size - 2)
                out[c, row, x] = codes[k] + (at - np.float32(k)) * (codes[k + 1] - codes[k])
