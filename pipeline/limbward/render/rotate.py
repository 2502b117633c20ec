"""Turning the finished picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform, spline_filter

Pixels = NDArray[np.float32]


def inner_size(width: float, height: float, turn_deg: float) -> tuple[float, float]:
    """Return width and height of the largest upright rectangle in a turned one.

    Parameters
    ----------
    width, height : float
        Of the rectangle that is turned.
    turn_deg : float
    """
    sin, cos = abs(np.sin(np.radians(turn_deg))), abs(np.cos(np.radians(turn_deg)))
    long, short = max(width, height), min(width, height)
    if short <= 2.0 * sin * cos * long or abs(sin - cos) < 1e-10:
        # Two corners touch the long sides.
        half = 0.5 * short
        pair = (half / sin, half / cos) if width >= height else (half / cos, half / sin)
        return float(pair[0]), float(pair[1])
    double = cos * cos - sin * sin
    return (
        float((width * cos - height * sin) / double),
        float((height * cos - width * sin) / double),
    )


def turn_picture(
    picture: Pixels,
    valid: NDArray[np.bool_],
    from_up: float,
    to_up: float,
    half_size: float | None = None,
) -> Pixels:
    """Return a picture turned about its centre and cropped to where it is valid.

    Parameters
    ----------
    picture : ndarray of float32, shape (C, H, W)
    valid : ndarray of bool, shape (H, W)
        Where it shows something.
    from_up, to_up : float
        Position angle of the upward direction, as it is and as it is wanted, degrees.
    half_size : float, optional
        Pixels from the centre to the nearest edges to which it is cropped further, in the same
        proportion of width to height.

    Returns
    -------
    ndarray of float32, shape (C, h, w)
        Centred on the same point; one cubic-spline interpolation, none at all if the direction
        does not change.
    """
    height, width = valid.shape
    turn = (to_up - from_up + 180.0) % 360.0 - 180.0
    d = np.radians(turn)
    # Rows of (y, x): where a step down and a step to the right in the result go in the picture.
    matrix = np.array([[np.cos(d), -np.sin(d)], [np.sin(d), np.cos(d)]])
    wide, high = inner_size(width - 1, height - 1, turn)
    scale = _valid_scale(valid, matrix, wide, high)
    if half_size is not None:
        scale = min(scale, 2.0 * half_size / min(wide, high))
    rows, columns = int(high * scale) + 1, int(wide * scale) + 1
    rows -= (rows - height) % 2 if rows > 2 else 0  # the centre stays where it is in its pixel
    columns -= (columns - width) % 2 if columns > 2 else 0
    if abs(turn) < 1e-9:
        y, x = (height - rows) // 2, (width - columns) // 2
        return np.ascontiguousarray(picture[:, y : y + rows, x : x + columns])
    middle = np.array([(height - 1) / 2.0, (width - 1) / 2.0])
    start = middle - matrix @ np.array([(rows - 1) / 2.0, (columns - 1) / 2.0])
    out = np.empty((len(picture), rows, columns), np.float32)
    for plane, into in zip(picture, out, strict=True):
        # The spline's own copy is float32 too: half of the memory, and errors below 1e-6.
        smooth = spline_filter(plane, order=3, output=np.float32, mode="nearest")
        affine_transform(
            smooth, matrix, start, (rows, columns), into, order=3, mode="nearest", prefilter=False
        )
    return np.clip(out, 0.0, 1.0, out=out)


def _valid_scale(
    valid: NDArray[np.bool_], matrix: NDArray[np.float64], wide: float, high: float
) -> float:
    """Return the largest fraction, by per cents, at which the border shows valid pixels only."""
    height, width = valid.shape
    middle = np.array([[(height - 1) / 2.0], [(width - 1) / 2.0]])
    t = np.linspace(-0.5, 0.5, 400)
    border = np.concatenate(
        [
            np.stack([np.full_like(t, s), t]) if side else np.stack([t, np.full_like(t, s)])
            for side in (0, 1)
            for s in (-0.5, 0.5)
        ],
        axis=1,
    )
    for scale in np.arange(1.0, 0.2, -0.01):
        at = middle + matrix @ (border * np.array([[high], [wide]]) * scale)
        y = np.clip(np.rint(at[0]).astype(int), 0, height - 1)
        x = np.clip(np.rint(at[1]).astype(int), 0, width - 1)
        if valid[y, x].all():
            return float(scale)
    return 1.0
