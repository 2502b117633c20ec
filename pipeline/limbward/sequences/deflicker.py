"""Frames of a disc brought to one brightness, without flattening the disc.

What a crescent shows is darker on the average the thinner it is, since the Sun's disc darkens
towards its limb. That is true and stays. What flickers is a factor common to all of a frame:
thin cloud, a shutter that does not repeat, another exposure. The two are told apart by comparing
brightness at the same distance from the disc's centre.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from limbward.radiance.scratch import by_rows

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

RINGS = 24  # of the disc's radius, from the centre to the limb
INNER_MARGIN = 0.03  # of the radius: a blurred limb is not the disc's brightness
LEAST_PIXELS = 12
AT_ONCE = 64  # rows whose distances are there at a time


def disc_profile(
    picture: Pixels,
    clipped: NDArray[np.bool_],
    sun: tuple[float, float, float],
    moon: tuple[float, float, float] | None,
    tone: Callable[[Pixels], Pixels] | None = None,
) -> Floats:
    """Return the mean brightness of the visible disc in rings about its centre.

    Parameters
    ----------
    picture : ndarray, shape (3, H, W)
        Linear.
    clipped : ndarray of bool, shape (H, W)
    sun, moon : tuple of float
        Centre (x, y) and radius, pixels of the picture; the Moon None where it is not in front.
    tone : callable, optional
        What is done to each value before.

    Returns
    -------
    ndarray, shape (RINGS,)
        NaN where too little of a ring is seen.
    """
    # The disc's own box, a few rows at a time: distances take 40 bytes a pixel.
    top, left = (max(math.floor(c - sun[2]), 0) for c in (sun[1], sun[0]))
    bottom, right = (
        min(max(math.ceil(c + sun[2]) + 1, 0), size)
        for c, size in zip((sun[1], sun[0]), clipped.shape, strict=True)
    )
    x = np.arange(left, right)
    margin = max(INNER_MARGIN, 2.5 / sun[2])
    count, total = np.zeros(RINGS), np.zeros(RINGS)
    for some in by_rows(max(bottom - top, 0), picture, clipped, rows=AT_ONCE):
        rows = slice(top + some.start, top + some.stop)
        y = np.arange(rows.start, rows.stop)[:, None]
        r = np.hypot(x - sun[0], y - sun[1]) / sun[2]
        seen = (r < 1.0 - margin) & ~clipped[rows, left:right]
        if moon is not None:
            seen &= np.hypot(x - moon[0], y - moon[1]) > moon[2] + margin * sun[2]
        ring = np.minimum((r[seen] * RINGS).astype(int), RINGS - 1)
        light = picture[1, rows, left:right][seen]
        count += np.bincount(ring, minlength=RINGS)
        total += np.bincount(ring, (light if tone is None else tone(light)).astype(float), RINGS)
    return np.where(count >= LEAST_PIXELS, total / np.maximum(count, 1), np.nan)


def common_profile(profiles: Floats) -> Floats:
    """Return the disc's own fall of brightness from profiles of differently bright frames.

    Parameters
    ----------
    profiles : ndarray, shape (N, RINGS)
        From `disc_profile`.

    Returns
    -------
    ndarray, shape (RINGS,)
        Logarithm of the brightness, 0 in the innermost ring that any frame shows; NaN in rings
        that no frame shows.

    Notes
    -----
    The logarithm of each value is a frame's level plus a ring's. Least squares over all that are
    seen gives both, whichever part of the disc each frame shows, as long as they overlap.
    """
    frames, rings = np.nonzero(np.isfinite(profiles) & (profiles > 0))
    if not frames.size:
        return np.full(profiles.shape[1], np.nan)
    n, m = profiles.shape
    design = np.zeros((frames.size, n + m))
    at = np.arange(frames.size)
    design[at, frames] = 1.0
    design[at, n + rings] = 1.0
    # One level is free; the least-norm solution settles it, and it is taken out below.
    solved, *_ = np.linalg.lstsq(design, np.log(profiles[frames, rings]), rcond=None)
    out = np.full(m, np.nan)
    known = np.unique(rings)
    out[known] = solved[n + known]
    return np.asarray(out - out[known[0]])


def level(profile: Floats, common: Floats) -> float:
    """Return how bright the middle of a frame's disc is, or would be if the Moon left it free.

    Parameters
    ----------
    profile : ndarray, shape (RINGS,)
    common : ndarray, shape (RINGS,)
        From `common_profile`.

    Returns
    -------
    float
        NaN if no ring is known.
    """
    both = np.isfinite(profile) & (profile > 0) & np.isfinite(common)
    if not both.any():
        return float("nan")
    return float(np.exp(np.median(np.log(profile[both]) - common[both])))
