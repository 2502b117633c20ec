"""The Sun in a spectral line as a picture, and its prominences over a picture of the corona."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.render.space import SRGB

Pixels = NDArray[np.float32]

CONTRAST = 3.0  # of the disc, whose own is a few percent
MIDDLE = 0.35  # lightness of the disc where there is no contrast, linear
BRIGHTEST = 0.12  # of the disc's centre, at which a prominence is shown at full lightness
# Of the disc's centre, that is shown as black: a tenth of the least that is a prominence, and
# twice to ten times the noise of a stack, which a soft curve would show as grain in the sky.
SKY = 0.001
SOFT = 12.0  # of the curve that shows faint parts beside bright ones


def colour_of(text: str) -> Pixels:
    """Return a colour such as ``#ff5a36`` as linear sRGB (3,)."""
    encoded = np.array([int(text[i : i + 2], 16) for i in (1, 3, 5)], np.float32) / 255.0
    return SRGB.decode(encoded)


def lightness(off_limb: Pixels) -> Pixels:
    """Return how bright light beyond the limb is shown, from 0 to 1."""
    level = np.clip((np.nan_to_num(off_limb) - SKY) / (BRIGHTEST - SKY), 0.0, 1.0)
    return np.asarray(np.arcsinh(SOFT * level) / np.arcsinh(SOFT), np.float32)


def shown(flat: Pixels, away: Pixels, colour: str) -> Pixels:
    """Return a flattened disc as encoded sRGB (3, H, W), in shades of a colour.

    Parameters
    ----------
    flat : ndarray, shape (H, W)
        From `limbward.sequences.line_disc.flattened`.
    away : ndarray, shape (H, W)
        Distance from the Sun's centre, radii of the disc.
    colour : str
    """
    # What no frame shows is black.
    disc = MIDDLE * np.nan_to_num(np.clip(1.0 + CONTRAST * (flat - 1.0), 0.0, 2.5))
    light = np.where(away <= 1.0, disc, 0.9 * lightness(flat))
    hue = colour_of(colour)
    # Bright parts go on to white, as a colour that is at its brightest must.
    tint = hue[:, None, None] * light + (1.0 - hue[:, None, None]) * light**3
    return SRGB.encode(np.clip(tint, 0.0, 1.0).astype(np.float32))


def laid_over(
    picture: Pixels, flat: Pixels, away: Pixels, across: NDArray[np.float64],
    start: NDArray[np.float64], colour: str,
) -> Pixels:  # fmt: skip
    """Return a picture with the light of prominences added in a colour.

    Parameters
    ----------
    picture : ndarray, shape (3, H, W)
        Encoded, from 0 to 1.
    flat, away : ndarray, shape (S, S)
        As of `shown`.
    across : ndarray, shape (2, 2)
        Columns: what a pixel right and a pixel down in the picture is in ``flat``, (x, y).
    start : ndarray, shape (2,)
        Where the picture's first pixel lies in ``flat``.
    colour : str
    """
    off = np.where(away > 1.0, lightness(flat), 0.0)
    shape = picture.shape[1:]
    light = affine_transform(
        off, across[::-1, ::-1], start[::-1], shape, np.float32, order=1, mode="constant"
    )
    hue = SRGB.encode(np.broadcast_to(colour_of(colour)[:, None, None], (3, 1, 1)).copy())
    return np.asarray(1.0 - (1.0 - picture) * (1.0 - hue * light), np.float32)


@dataclass(frozen=True)
class LineDisc:
    """The Sun in a spectral line, to be laid over other pictures.

    Attributes
    ----------
    flat : ndarray, shape (S, S)
        As of `shown`.
    grid : Grid
        That it lies on.
    radius : float
        Of the disc as the line shows it, pixels of that grid.
    """

    flat: Pixels
    grid: Grid
    radius: float


def with_prominences(picture: Pixels, grid: Grid, sun: Disc, line: LineDisc, colour: str) -> Pixels:
    """Return a picture with the prominences of a spectral line laid over it.

    Parameters
    ----------
    picture : ndarray, shape (3, H, W)
        Encoded, from 0 to 1.
    grid : Grid
        That it lies on.
    sun : Disc
        In it.
    line : LineDisc
    colour : str
    """
    own = line.grid
    x = np.arange(own.width, dtype=np.float32)
    away = np.hypot(x[None, :] - own.sun_x, x[:, None] - own.sun_y) / np.float32(line.radius)
    sky = grid.orientation.to_sky(np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    across = np.stack(own.orientation.to_pixels(*sky))
    start = np.array([own.sun_x, own.sun_y]) - across @ np.array([sun.x, sun.y])
    return laid_over(picture, line.flat, away, across, start, colour)
