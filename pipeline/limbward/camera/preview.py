"""A small picture of a frame for a person."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from limbward.camera.frame import RawFrame
from limbward.camera.reduce import Reduced

PREVIEW_SIDE = 320
PREVIEW_STRETCH = 12.0  # arcsinh: a twelfth of the brightest is drawn at half


def preview(frame: RawFrame, reduced: Reduced) -> Image.Image:
    """Return a small picture: white-balanced, stretched, clipped parts white."""
    image = Image.fromarray(preview_pixels(frame, reduced))
    image.thumbnail((PREVIEW_SIDE, PREVIEW_SIDE))
    return image


def preview_pixels(frame: RawFrame, reduced: Reduced) -> NDArray[np.uint8]:
    """Return a reduced frame as displayable colours, shape (h, w, 3)."""
    planes = reduced.planes * frame.daylight[:, None, None]
    colours = np.einsum("ij,jhw->hwi", frame.to_srgb, planes)
    known = np.isfinite(colours).all(axis=-1)
    if not known.any():
        return np.full(colours.shape, 255, np.uint8)
    # A quarter of the pixels says it as well.
    some = colours[::2, ::2][known[::2, ::2]]
    low, high = np.quantile(some if some.size else colours[known], (0.02, 0.998))
    # A frame of noise is drawn dark, not stretched to the full range.
    high = max(high, low + 0.002 * frame.white)
    scaled = np.clip((colours - low) / (high - low), 0.0, 1.0)
    drawn = np.arcsinh(PREVIEW_STRETCH * scaled) / np.arcsinh(PREVIEW_STRETCH)
    return np.where(known[..., None], np.nan_to_num(drawn) * 255.0, 255.0).astype(np.uint8)
