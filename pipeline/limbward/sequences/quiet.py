"""Less noise in a single short exposure that is shown brightly, where its noise would show."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter, minimum_filter

from limbward.radiance.scratch import by_rows
from limbward.render.smooth import CORRELATION_PX, depth_of, smooth_to_depth

Pixels = NDArray[np.float32]

TARGET = 0.012  # of the range of what is shown: noise that may stay
BLUR_PX = 4.0  # at which noise is measured: in a sensor's rows it falls more slowly
PALE = 0.5  # times the light; below such noise, of the mean of colours, these are kept
LAG = 16  # pixels between which it is independent then
DARKEST = 0.5  # share of the picture in which it is measured
BEYOND = 9  # pixels each way that are all black beyond the frame
LEAST = 400  # pixels there


def quieted(value: Pixels, tone: Callable[[Pixels], Pixels]) -> Pixels:
    """Return a picture smoothed where its noise would show.

    Parameters
    ----------
    value : ndarray of float32, shape (3, S, S)
        Linear, 0 beyond the frame.
    tone : callable
        How it is shown, from 0 to 1: of an array of linear values the encoded ones.

    Returns
    -------
    ndarray of float32, shape (3, S, S)
        The same array where there is nothing to do.

    Notes
    -----
    Noise of a sensor that is read out is the same all over a frame. A tone that lifts the dark
    shows it there, and hardly where the corona is bright, which stays as sharp as it was.
    """
    light = value.mean(axis=0)
    # Noise that was cut off at black leaves single pixels at 0; the frame's end more.
    known = ~maximum_filter(minimum_filter(light <= 0, BEYOND), BEYOND)
    soft = gaussian_filter(light, BLUR_PX)
    del light
    if known.sum() < LEAST:
        return value
    dark = known & (soft <= np.quantile(soft[known][::7], DARKEST))
    # As white noise that such a blur would leave so much of.
    noise = _noise(soft, dark) * float(np.hypot(CORRELATION_PX, BLUR_PX)) / CORRELATION_PX
    shown = np.empty_like(soft)
    for rows in by_rows(len(soft)):
        shown[rows] = tone(soft[rows] + np.float32(noise)) - tone(soft[rows])
    if not (shown[dark] > TARGET).any():
        return value
    depth = depth_of(shown, TARGET)
    del shown, dark
    out = np.empty_like(value)
    for plane, into in zip(value, out, strict=True):
        smooth_to_depth(plane, depth, into)
    for rows in by_rows(len(soft)):  # whole, copies of three colours would be in memory at once
        # Where that is as strong as the light, its colour is noise, too.
        colour = 1.0 / (1.0 + (noise / (PALE * np.maximum(soft[rows], 1e-9))) ** 2)
        part = out[:, rows]
        grey = part.mean(axis=0)
        part -= grey
        part *= colour.astype(np.float32)
        part += grey
        part *= known[rows]  # nothing shines beyond the frame's edge
    return out


def _noise(soft: Pixels, dark: NDArray[np.bool_]) -> float:
    """Return the noise of a blurred picture by differences across and down, the larger of both."""
    found = [0.0]
    for a, b in ((np.s_[LAG:, :], np.s_[:-LAG, :]), (np.s_[:, LAG:], np.s_[:, :-LAG])):
        steps = (soft[a] - soft[b])[dark[a] & dark[b]]
        if steps.size >= LEAST:
            middle = float(np.median(steps))
            found.append(1.4826 * float(np.median(np.abs(steps - middle))) / np.sqrt(2.0))
    return max(found)
