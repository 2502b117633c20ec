"""Colours: white from the corona itself, camera colours to sRGB, lightness with chromaticity."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from skimage.color import xyz2rgb
from skimage.color.colorconv import xyz_from_rgb

Pixels = NDArray[np.float32]

LUMINANCE = xyz_from_rgb[1].astype(np.float32)  # of linear sRGB, IEC 61966-2-1
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
    ring = (rho > MID_CORONA[0]) & (rho < MID_CORONA[1]) & np.isfinite(radiance).all(axis=0)
    ring &= (radiance > 0).all(axis=0)
    if ring.sum() < 100:
        return np.asarray(daylight, np.float32)
    green = radiance[1][ring]
    return np.array([np.median(green / radiance[c][ring]) for c in range(3)], np.float32)


def to_linear_srgb(radiance: Pixels, white: Pixels, matrix: Pixels) -> Pixels:
    """Return camera colours as linear sRGB.

    Parameters
    ----------
    radiance : ndarray, shape (3, H, W)
    white : ndarray, shape (3,)
        Multipliers that make white neutral.
    matrix : ndarray, shape (3, 3)
        From white-balanced camera colours to linear sRGB.
    """
    both = (np.asarray(matrix, np.float32) * np.asarray(white, np.float32)[None, :]).astype(
        np.float32
    )
    return np.einsum("ij,jhw->ihw", both, radiance, optimize=True)


def luminance(linear: Pixels) -> Pixels:
    """Return the luminance (CIE Y) of linear sRGB (3, H, W)."""
    return np.einsum("i,ihw->hw", LUMINANCE, linear, optimize=True)


def lightness_to_luminance(lightness: Pixels) -> Pixels:
    """Return CIE Y of a lightness L*/100 (CIE 15:2004)."""
    f = (100.0 * lightness + 16.0) / 116.0
    return np.where(f > 6.0 / 29.0, f**3, 3.0 * (6.0 / 29.0) ** 2 * (f - 4.0 / 29.0))


def paint(lightness: Pixels, ratio: Pixels, saturation: float = 1.0) -> Pixels:
    """Return encoded sRGB of given lightness and chromaticity.

    Parameters
    ----------
    lightness : ndarray, shape (H, W)
        CIE L*/100, from 0 to 1.
    ratio : ndarray, shape (3, H, W)
        Linear sRGB over its luminance.
    saturation : float
        0 is grey, 1 the chromaticity as it is.

    Returns
    -------
    ndarray of float32, shape (H, W, 3)
        From 0 to 1. A colour too bright for sRGB is made darker, not paler, so that prominences
        stay pink.
    """
    height, width = lightness.shape
    out = np.empty((height, width, 3), np.float32)
    to_xyz = (xyz_from_rgb).astype(np.float32)
    for top in range(0, height, ROWS):  # in bands: the conversion works in double precision
        band = slice(top, top + ROWS)
        y = lightness_to_luminance(np.clip(lightness[band], 0.0, 1.0))
        colour = np.clip(1.0 + saturation * (ratio[:, band] - 1.0), 0.0, None)
        linear = y * colour / np.maximum(luminance(colour), 1e-6)
        linear /= np.maximum(linear.max(axis=0), 1.0)
        out[band] = xyz2rgb(np.einsum("ij,jhw->hwi", to_xyz, linear))
    return np.clip(out, 0.0, 1.0)
