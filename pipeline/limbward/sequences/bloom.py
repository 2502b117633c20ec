"""Light beyond a sensor's range as a soft glow: what its surroundings say, carried on inwards."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter, label

from limbward.radiance.scratch import by_rows
from limbward.sequences.cut import Cut

Pixels = NDArray[np.float32]

REACH = 1.5  # pixels of the camera that interpolated colours take from beside a clipped one
STEEPEST = 0.35  # of the logarithm of the light, per pixel: a sharp lens' aureole
FADED = 33.0  # times that reach: there the glow's share of the light is a ten-millionth
MOST = 30.0  # times the light at the edge of what is clipped
# What is clipped in white light is photosphere, thousands of times as bright as the corona for
# which contacts are exposed: its middle is drawn so many times as bright as white, or brighter.
AT_LEAST = 8.0
KNEE = 4.0  # a larger one is a harder knee


def bloomed(made: Cut, pixel: float = 1.0, white: float = 1.0) -> Pixels:
    """Return a cut in which light goes on where the sensor was saturated.

    Parameters
    ----------
    made : Cut
    pixel : float
        Size of a pixel of the camera in pixels of the cut.
    white : float
        Light of the cut that is drawn as white: more than 1 in exposures longer than others.

    Returns
    -------
    ndarray of float32, shape (3, S, S)
        Beyond 1 where white light was clipped, and without colour there and just around: of a
        clipped pixel only one or two colours may be known, and interpolation spreads that.

    Notes
    -----
    Around a diamond ring the light falls like the wings of the lens' blur, so its logarithm is
    carried on inwards with the slope that it has in the unsaturated pixels around, or with a
    steeper one by which its middle is white. How bright that really was no such frame tells.
    """
    picture = made.picture
    if not made.clipped.any() or made.clipped.all():
        return picture
    reach = REACH * max(pixel, 1.0)
    bare = _without_colour(made)
    if not bare.any():
        return picture
    depth = distance_transform_edt(bare[_around(bare, 1)])
    deepest = float(depth.max())
    del depth
    out = picture.copy()
    # A film's picture has 59 MB in each array of its size, of which there would be ten.
    box = _around(bare, math.ceil(max(FADED * reach, deepest)))
    _carry_on(out[(slice(None), *box)], bare[box], reach, deepest, white)
    return out


def _around(mask: NDArray[np.bool_], margin: int) -> tuple[slice, slice]:
    """Return the rows and columns of a picture (h, w) with a mask and so much around it."""
    rows, columns = (
        slice(max(0, int(at[0]) - margin), int(at[-1]) + 1 + margin)
        for at in (np.flatnonzero(mask.any(axis=axis)) for axis in (1, 0))
    )
    return rows, columns


def _carry_on(
    picture: Pixels, bare: NDArray[np.bool_], reach: float, deepest: float, white: float
) -> None:
    """Let light go on where it is not known, in a picture (3, h, w) with what is around that.

    ``deepest`` is the largest distance of such a pixel from what is known.
    """
    outwards, depth = distance_transform_edt(~bare), distance_transform_edt(bare)
    light = np.log(np.maximum(picture.mean(axis=0), np.float32(1e-6)))
    rise = math.log(max(AT_LEAST * white, 1.0))
    # Rounding the ridge takes a third off a cone's height.
    least = min(rise / (0.67 * deepest), STEEPEST)
    slope = max(_slope(light, outwards - reach, reach), least)
    glow = light + np.minimum(slope * depth, max(1.5 * rise, math.log(MOST)))
    # The ridge in the middle, where two sides meet, is rounded.
    soft = gaussian_filter(glow, 0.25 * deepest)
    glow += np.clip((depth - reach) / (2.0 * reach), 0.0, 1.0) * np.maximum(
        soft - glow, light - glow
    )
    del light, soft, depth
    for rows in by_rows(len(glow)):
        pale = np.exp(-np.maximum(outwards[rows] - reach, 0.0) / (2.0 * reach)).astype(np.float32)
        part = picture[:, rows]
        part += pale * (np.exp(glow[rows]).astype(np.float32) - part)


def _without_colour(made: Cut) -> NDArray[np.bool_]:
    """Return what of the clipped pixels belongs to white light; prominences clip in red alone."""
    if made.white is None:
        return made.clipped
    parts, _ = label(made.clipped, structure=np.ones((3, 3)))
    return np.isin(parts, np.unique(parts[made.white & made.clipped]))


def _slope(logarithm: NDArray[np.floating], outside: NDArray[np.floating], reach: float) -> float:
    """Return by how much the logarithm of the light falls per pixel, away from what is clipped."""
    steps = [0.5 * reach, 2.0 * reach, 4.0 * reach]
    rings = [(outside > a) & (outside <= b) for a, b in pairwise(steps)]
    if not all(ring.any() for ring in rings):
        return STEEPEST
    # The brighter half of each ring: the Moon hides the rest.
    near, far = (float(np.quantile(logarithm[ring], 0.75)) for ring in rings)
    apart = float(outside[rings[1]].mean() - outside[rings[0]].mean())
    return min(max((near - far) / apart, 0.02), STEEPEST)


def shouldered(value: Pixels) -> Pixels:
    """Return tones from 0 on, below 1: the lower half as they were, the highest bent softly.

    Examples
    --------
    >>> shouldered(np.float32([0.0, 0.5, 1.0, 2.0])).round(2).tolist()
    [0.0, 0.49000000953674316, 0.8399999737739563, 0.9800000190734863]
    """
    return np.asarray(value / (1.0 + value**KNEE) ** (1.0 / KNEE), np.float32)
