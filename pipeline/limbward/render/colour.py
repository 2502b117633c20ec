"""Colours: white from the corona itself, camera colours to sRGB, lightness with chromaticity."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.render.space import SRGB, Space

Pixels = NDArray[np.float32]

LUMINANCE = SRGB.luminance  # of linear sRGB, IEC 61966-2-1
MID_CORONA = (1.15, 1.7)  # solar radii
ROWS = 256


def solar_white(radiance: Pixels, rho: Pixels, daylight: Pixels) -> Pixels:
    """Return the multipliers of R, G, B that make the corona white, G = 1.

    Parameters
    ----------
    radiance : ndarray, shape (3, H, W)
        In the camera's colours.
    rho : ndarray, shape (H, W)
        Distance from the Sun's centre, solar radii.
    daylight : ndarray, shape (3,)
        The camera's multipliers for daylight, for a picture without a middle corona.

    Returns
    -------
    ndarray of float32, shape (3,)

    Notes
    -----
    The inner corona is sunlight scattered by free electrons and has the Sun's colour (H. C. van de
    Hulst, Bull. Astron. Inst. Neth. 11 (1950) 135); low air reddens it as it does everything. From
    1.15 to 1.7 solar radii it is far brighter than the sky and above the prominences.
    """
    ring = (rho > MID_CORONA[0]) & (rho < MID_CORONA[1])
    light = radiance[:, ring]
    light = light[:, np.isfinite(light).all(axis=0) & (light > 0).all(axis=0)]
    if light.shape[1] < 100:
        return np.asarray(daylight, np.float32)
    return np.array([np.median(light[1] / light[c]) for c in range(3)], np.float32)


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
    for top in range(0, radiance.shape[1], ROWS):
        band = (slice(None), slice(top, top + ROWS))
        part = np.asarray(radiance[band], np.float32)
        out[band] = np.tensordot(both.astype(np.float32), part, axes=1)
    return out


def luminance(linear: Pixels) -> Pixels:
    """Return the luminance (CIE Y) of linear sRGB (3, H, W)."""
    out = linear[0] * LUMINANCE[0]
    out += linear[1] * LUMINANCE[1]
    out += linear[2] * LUMINANCE[2]
    return np.asarray(out, np.float32)


def lightness_to_luminance(lightness: Pixels) -> Pixels:
    """Return CIE Y of a lightness L*/100 (CIE 15:2004)."""
    f = (100.0 * lightness + 16.0) / 116.0
    return np.where(f > 6.0 / 29.0, f * f * f, 3.0 * (6.0 / 29.0) ** 2 * (f - 4.0 / 29.0))


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
    for top in range(0, lightness.shape[0], ROWS):  # in bands: little is held twice
        band = slice(top, top + ROWS)
        y = lightness_to_luminance(np.clip(lightness[band], 0.0, 1.0)).astype(np.float32)
        colour = np.float32(1.0) + np.float32(saturation) * (ratio[:, band] - np.float32(1.0))
        colour = np.clip(np.tensordot(space.from_srgb, colour, axes=1), 0.0, None)
        linear = y * colour / np.maximum(np.tensordot(space.luminance, colour, axes=1), 1e-6)
        linear /= np.maximum(linear.max(axis=0), 1.0)
        out[:, band] = space.encode(linear.astype(np.float32))
    return out
