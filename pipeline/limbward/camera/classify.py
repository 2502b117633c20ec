"""What kind of frame one is, before any clock is known: light, dark, bias, flat.

Which phase of the eclipse a light frame shows is for `limbward.limb` to say; here only frames
without a picture are told from frames with one.
"""

import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.camera.frame import smallest_step
from limbward.camera.luminance import Plane
from limbward.camera.reduce import Reduced, green_of

Content = Literal["light", "dark", "bias", "flat"]
Mask = NDArray[np.bool_]

LIT_SIGMA = 6.0  # a pixel counts as lit this far above the median; 1e-9 of normal noise
LIT_PIXELS = 24  # lit pixels in touch with others: more than clusters of hot pixels make
# Lit pixels in one piece: a thin crescent of a Sun of a few pixels, and no cluster of hot ones.
PIECE_PIXELS = 8
CROWDED = 0.1  # share of lit pixels that no sensor's hot pixels make up
SKY_SIGMA = 5.0  # level of an empty sky above the black, in errors of the frame's mean level
BLACK_TOLERANCE = 0.002  # of the range: how far the black level in a file may be off
BIAS_EXPOSURE_S = 1e-3
FLAT_LEVEL = (0.08, 0.97)  # of the range
FLAT_FALLOFF = 0.3  # darkest over brightest part; a lens wide open loses two thirds in a corner
FLAT_STEP = 0.04  # largest change between neighbouring bins, relative
NAMED: tuple[tuple[Content, str], ...] = (
    ("bias", r"bias(es)?|offsets?"),
    ("dark", r"(dark|flatdark|darkflat)s?"),
    ("flat", r"(sky|twilight|dome)?flats?"),
)


@dataclass(frozen=True)
class Classified:
    """The kind of a frame and, if it is not obvious, why."""

    content: Content
    note: str = ""


def named_content(file: str) -> Content | None:
    """Return the kind that a path's folders or file name state as a whole word, or None.

    Examples
    --------
    >>> named_content("card/darks/IMG_0001.DNG"), named_content("darkroom/IMG_0001.DNG")
    ('dark', None)
    """
    words = re.split(r"[^a-z]+", file.lower())
    for content, pattern in NAMED:
        if any(re.fullmatch(pattern, word) for word in words):
            return content
    return None


def classify(
    plane: Plane,
    reduced: Reduced,
    *,
    white_above_black: float,
    exposure_s: float | None = None,
    named: Content | None = None,
    stated: Content | None = None,
) -> Classified:
    """Tell frames with a picture from darks, biases and flats, by their pixels.

    Parameters
    ----------
    plane : Plane
        The green plane of the frame.
    reduced : Reduced
        The frame in small.
    white_above_black : float
        Range of the sensor, ADU.
    exposure_s : float, optional
        Tells a bias from a dark.
    named : {'dark', 'bias', 'flat', 'light'}, optional
        What its name suggests, which only tells a dark from a bias.
    stated : {'dark', 'bias', 'flat', 'light'}, optional
        What a person says it is.

    Returns
    -------
    Classified
        With a note where the pixels contradict what is stated.
    """
    content: Content = "light"
    note = ""
    if not has_light(plane, white_above_black):
        short = exposure_s is not None and exposure_s <= BIAS_EXPOSURE_S
        content = "bias" if short else "dark"
        for said in (stated, named):
            if said in ("dark", "bias"):
                content = said
                break
        else:
            note = "No light above the noise."
    elif is_even_field(reduced, white_above_black):
        content = "flat"
    if stated is not None and stated != content:
        note = f"It is said to be a {stated} frame but looks like a {content} one."
    return Classified(content, note)


def has_light(plane: Plane, white_above_black: float) -> bool:
    """Return whether a frame shows anything: a group of lit pixels, or a sky above the black.

    Hot pixels stand alone in a mosaic's plane; light, blurred by the optics, does not. A level
    counts as sky only beyond the error of black levels, so that a dark stays one.
    """
    image = plane.image
    sample = image[::4, ::4]
    level = float(np.median(sample))
    step = smallest_step(white_above_black)
    noise = max(float(np.median(np.abs(sample - level))) * 1.4826, 0.5 * step)
    if level > BLACK_TOLERANCE * white_above_black + SKY_SIGMA * noise / np.sqrt(sample.size):
        return True
    above: Mask = (image > level + LIT_SIGMA * noise) | plane.saturated
    neighbours = np.zeros(above.shape, np.uint8)
    neighbours[1:] += above[:-1]
    neighbours[:-1] += above[1:]
    neighbours[:, 1:] += above[:, :-1]
    neighbours[:, :-1] += above[:, 1:]
    share = np.count_nonzero(above) / above.size
    if share > CROWDED:
        return True
    # Of independent hot pixels, 6 share^2 have two of their four neighbours hot by chance.
    chance = 6.0 * share**3 * above.size
    touching = above & (neighbours >= 2)
    lit = np.count_nonzero(touching)
    if lit >= LIT_PIXELS + 3.0 * chance:
        return True
    return bool(lit >= PIECE_PIXELS + 3.0 * chance and _largest_piece(touching) >= PIECE_PIXELS)


def _largest_piece(lit: Mask) -> int:
    """Return how many pixels the largest connected piece has."""
    labels, count = ndimage.label(lit)
    return int(np.bincount(labels.ravel())[1:].max()) if count else 0


def is_even_field(reduced: Reduced, white_above_black: float) -> bool:
    """Return whether a frame is bright and smooth: vignetted at most, without edges."""
    green = green_of(reduced)
    if min(green.shape) < 4 or np.mean(np.isnan(green)) > 1e-3:
        return False
    low, middle, high = np.nanquantile(green, (0.002, 0.5, 0.998))
    inside = FLAT_LEVEL[0] * white_above_black < middle < FLAT_LEVEL[1] * white_above_black
    if not inside or low < FLAT_FALLOFF * high:
        return False
    # Dust and noise of single bins do not make an edge, so the 99.5th percentile is looked at.
    steps = [np.abs(np.diff(green, axis=a)) / middle for a in (0, 1)]
    return all(float(np.nanquantile(s, 0.995)) < FLAT_STEP for s in steps)
