"""A filtered corona as a picture: how the TIFF and PNG of an enhancement look."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.camera.colours import has_colours, read_colours
from limbward.geometry.disc import Disc, Geometry
from limbward.radiance.fits import write_picture
from limbward.radiance.scratch import Room
from limbward.render.chroma import chromaticity, in_colours
from limbward.render.colour import luminance, solar_white, to_linear_srgb
from limbward.render.moon import distance
from limbward.render.preview import scaled, structure_picture
from limbward.render.tone import fit_tone
from limbward.render.writers import Caption, write_png, write_tiff

Pixels = NDArray[np.float32]
Colours = tuple[Pixels, int]

SATURATION = 1.3  # as the composite's default
LONGEST_PX = 3200  # of the colours: half of 24 megapixels


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
    if not has_colours(header):
        return None
    sun = Disc(geometry.sun_x, geometry.sun_y, geometry.sun_radius_px)
    moon = sun
    if geometry.moon_x is not None and geometry.moon_y is not None and geometry.moon_radius_px:
        moon = Disc(geometry.moon_x, geometry.moon_y, geometry.moon_radius_px)
    return chromaticity(image, sigma, sun, moon, *read_colours(header), longest)


def picture_of(
    result: Pixels,
    colours: Colours | None,
    header: Header,
    geometry: Geometry,
    *,
    normalised: bool,
    room: Room = np.empty,
) -> Pixels:
    """Return a filtered corona as encoded sRGB.

    What a normalising filter gives is shown grey at its mean, black and white at some deviations,
    what stays linear through the tone curve; both in the merge's colours, if they are given.

    Parameters
    ----------
    result : ndarray of float32, shape (3, H, W)
    colours : (ndarray, int) or None
        Of `colours_of`; None leaves the picture in what the filters make of its colours.
    header : Header
    geometry : Geometry
    normalised : bool
        Whether a filter has taken out the radial fall.
    room : callable
        Makes the result.

    Returns
    -------
    ndarray of float32, shape (3, H, W)
    """
    visible = geometry.visible(*result.shape[1:])
    if colours is None:
        return structure_picture(result, visible, room=room)
    known = visible & np.isfinite(result[1])
    if normalised:
        lightness = next(scaled(result[1:2], visible, room=room))
    else:
        lightness = _tone_mapped(result, header, geometry)
    return in_colours(lightness, *colours, SATURATION, known, room)


def write_filtered(
    path: Path,
    kind: str,
    result: Pixels,
    picture: Pixels,
    header: Header,
    done: Sequence[str],
    text: Caption | str,
) -> None:
    """Write a filtered corona: its values as FITS, or how it looks as TIFF or PNG.

    Parameters
    ----------
    path : Path
        Replaced if it exists.
    kind : str
        ``.fits``, ``.png`` or another, which stands for TIFF.
    result, picture : ndarray of float32, shape (3, H, W)
        What the filters give, and what `picture_of` makes of it.
    header : Header
        Of the merge.
    done : sequence of str
        What was done, one line a step.
    text : Caption or str
        The picture's caption.
    """
    if kind == ".fits":
        own = header.copy()
        own["BUNIT"] = ""
        write_picture(path, result, own, history=[f"Filtered: {line}" for line in done])
    elif kind == ".png":
        write_png(path, picture, text)
    else:
        write_tiff(path, picture, text)


def _tone_mapped(result: Pixels, header: Header, geometry: Geometry) -> Pixels:
    daylight, matrix = read_colours(header)
    sun = Disc(geometry.sun_x, geometry.sun_y, geometry.sun_radius_px)
    rho = distance(result.shape[1:], sun) / np.float32(sun.radius)
    light = luminance(to_linear_srgb(result, solar_white(result, rho, daylight), matrix))
    light[~geometry.visible(*light.shape)] = np.nan
    tone = fit_tone(light, rho)
    return np.clip(np.nan_to_num(tone.lightness(light), nan=0.0), 0.0, 1.0).astype(np.float32)
