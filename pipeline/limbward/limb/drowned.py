"""Frames of totality so long that glare drowns the Moon: where it must be, within a tenth.

Where seconds of haze or of a lens's own light fill the dark disc up to clipping, no limb is left.
What is clipped is then a blob about the Sun, and its outline tells where to begin with comparing
what is not clipped, the outer corona, with that of shorter frames.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.disc import MeasuredDisc
from limbward.limb.circle import algebraic_circle
from limbward.picture.binning import block_mean

Mask = NDArray[np.bool_]

DROWNED = "clipped pixels hide the Moon's limb"
COARSE_SIDE = 320  # px of the small version that the outline is taken from
LEAST_RADIUS = 6.0  # px of it
LEAST_OUTLINE = 0.35  # of a whole circle that lies in the frame
ROUND = 0.3  # scatter of the outline about its circle, of the radius: streamers reach further out
CENTRE = 0.15  # of the radius: error of the middle as the Moon's, where the frame cuts it off


def clipped_core(
    saturated: Mask, scale: float = 1.0, origin: tuple[float, float] = (0.0, 0.0)
) -> MeasuredDisc | None:
    """Return the circle that the outline of the largest clipped area follows best.

    Parameters
    ----------
    saturated : ndarray of bool, shape (h, w)
    scale, origin
        As for `limbward.limb.measure.measure`.

    Returns
    -------
    MeasuredDisc or None
        In full raw pixels; ``sigma`` is how far its middle may be from the Moon's. None where
        nothing is clipped, or what is has no round outline, or hardly any in the frame.
    """
    factor = max(1, int(np.ceil(max(saturated.shape) / COARSE_SIDE)))
    labels, count = ndimage.label(block_mean(saturated, factor, np.float32) > 0.5)
    if count == 0:
        return None
    sizes = np.bincount(labels.ravel())
    sizes[0] = 0
    blob = ndimage.binary_fill_holes(labels == int(np.argmax(sizes)))
    edge = blob & ~ndimage.binary_erosion(blob, border_value=1)
    y, x = (at.astype(np.float64) for at in np.nonzero(edge))
    if x.size < 2 * np.pi * LEAST_RADIUS * LEAST_OUTLINE:
        return None
    try:
        cx, cy, radius = algebraic_circle(x, y)
    except ValueError:  # all on a line
        return None
    if not LEAST_RADIUS <= radius <= max(blob.shape):
        return None
    scatter = float(np.std(np.hypot(x - cx, y - cy)))
    turned = np.arctan2(y - cy, x - cx)
    seen = np.unique(np.round(turned / (2 * np.pi) * 72).astype(int) % 72).size / 72
    if seen < LEAST_OUTLINE or scatter > ROUND * radius:
        return None
    pixel = factor * scale
    middle = 0.5 * (factor - 1) * scale
    return MeasuredDisc(
        origin[0] + middle + pixel * cx,
        origin[1] + middle + pixel * cy,
        pixel * radius,
        CENTRE * pixel * radius,
    )


def is_drowned(core: MeasuredDisc, moon: MeasuredDisc | None) -> bool:
    """Whether a frame's Moon must lie within what is clipped, and no limb was found there.

    Parameters
    ----------
    core : MeasuredDisc
        Of `clipped_core`.
    moon : MeasuredDisc or None
        As it was measured, if it was.
    """
    if moon is None:
        return True
    # The Moon is in the middle of a larger clipped area; a diamond ring's is smaller than the Moon.
    aside = float(np.hypot(moon.x - core.x, moon.y - core.y)) > 0.5 * core.radius
    return aside and core.radius > 1.2 * moon.radius
