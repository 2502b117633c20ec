"""Stills of clips side by side, each with what it shows and when."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.layout import places

STILL_PX = 480  # of a still on the overview


def thumbnail(colours: NDArray[np.uint8]) -> Image.Image:
    """Return a picture (H, W, 3) as it is on the overview, with room for its words."""
    image = Image.fromarray(colours)
    image.thumbnail((STILL_PX - 20, STILL_PX - 60))
    return image


def overview(stills: Sequence[Image.Image], words: Sequence[str]) -> NDArray[np.float32]:
    """Return stills on one picture (3, H, W), encoded sRGB from 0 to 1.

    Parameters
    ----------
    stills : sequence of Image
        From `thumbnail`.
    words : sequence of str
        To stand below each.
    """
    cell = float(STILL_PX)
    centres, size = places("grid", len(words), cell)
    canvas = Canvas.blank(*size)
    for image, text, (x, y) in zip(stills, words, centres, strict=True):
        picture = np.moveaxis(np.asarray(image, np.float32) / 255.0, -1, 0)
        canvas.lighten(picture, float(x), float(y) - 20.0)
        canvas.labels.append(Label(text, float(x), float(y) + 0.42 * cell, 15.0))
    return canvas.drawn()
