"""A filtered corona as a picture: how the TIFF and PNG of an enhancement look."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward import filters
from limbward.config import EnhanceConfig, StepConfig
from limbward.geometry.disc import Disc, Geometry
from limbward.render.chroma import chromaticity, in_colours
from limbward.render.colour import luminance, solar_white, to_linear_srgb
from limbward.render.moon import distance
from limbward.render.preview import scaled, structure_picture
from limbward.render.tone import fit_tone

Pixels = NDArray[np.float32]
Colours = tuple[Pixels, int]

SATURATION = 1.3  # as the composite's default
LONGEST_PX = 3200  # of the colours: half of 24 megapixels


def camera_colours(header: Header) -> tuple[Pixels, Pixels]:
    """Return the camera's daylight multipliers and its matrix to linear sRGB."""
    daylight = np.array([header[f"DAYWB{c}"] for c in (1, 2, 3)], np.float32)
    matrix = [[header[f"SRGB{i}_{j}"] for j in (1, 2, 3)] for i in (1, 2, 3)]
    return daylight, np.array(matrix, np.float32)


def colours_of(
    image: Pixels,
    sigma: Pixels | None,
    header: Header,
    geometry: Geometry,
    longest: int = LONGEST_PX,
) -> Colours | None:
    """Return the chromaticity of a merge; None if its header does not tell the camera's colours.

    Parameters
    ----------
    image : ndarray of float32, shape (3, H, W)
    sigma : ndarray of float32, shape (H, W), optional
        The noise of its green.
    header : Header
    geometry : Geometry
    longest : int
        Pixels of the result's longer side.
    """
    if "SRGB1_1" not in header or "DAYWB1" not in header:
        return None
    sun = Disc(geometry.sun_x, geometry.sun_y, geometry.sun_radius_px)
    moon = sun
    if geometry.moon_x is not None and geometry.moon_y is not None and geometry.moon_radius_px:
        moon = Disc(geometry.moon_x, geometry.moon_y, geometry.moon_radius_px)
    return chromaticity(image, sigma, sun, moon, *camera_colours(header), longest)


def picture_of(
    result: Pixels,
    recipe: EnhanceConfig,
    colours: Colours | None,
    header: Header,
    geometry: Geometry,
) -> Pixels:
    """Return a filtered corona as encoded sRGB.

    What a normalising filter gives is shown grey at its mean, black and white at some deviations,
    what stays linear through the tone curve; both in the merge's colours, unless the config wants
    the filters' own.

    Parameters
    ----------
    result : ndarray of float32, shape (3, H, W)
    recipe : EnhanceConfig
    colours : (ndarray, int) or None
        Of `colours_of`; None leaves the picture grey.
    header : Header
    geometry : Geometry

    Returns
    -------
    ndarray of float32, shape (3, H, W)
    """
    visible = geometry.visible(*result.shape[1:])
    if recipe.colour == "as_filtered" or colours is None:
        return structure_picture(result, visible)
    known = visible & np.isfinite(result[1])
    if _normalised(recipe.steps):
        lightness = next(scaled(result[1:2], visible))
    else:
        lightness = _tone_mapped(result, header, geometry)
    return in_colours(lightness, *colours, SATURATION, known)


def _normalised(steps: Sequence[StepConfig]) -> bool:
    return any(filters.load(step.filter).NORMALISES for step in steps)


def _tone_mapped(result: Pixels, header: Header, geometry: Geometry) -> Pixels:
    daylight, matrix = camera_colours(header)
    sun = Disc(geometry.sun_x, geometry.sun_y, geometry.sun_radius_px)
    rho = distance(result.shape[1:], sun) / np.float32(sun.radius)
    light = luminance(to_linear_srgb(result, solar_white(result, rho, daylight), matrix))
    light[~geometry.visible(*light.shape)] = np.nan
    tone = fit_tone(light, rho)
    return np.clip(np.nan_to_num(tone.lightness(light), nan=0.0), 0.0, 1.0).astype(np.float32)
