"""Turning the finished picture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.compiled import in_threads, kernel
from limbward.geometry.angle import half_turn
from limbward.geometry.grid import north_known
from limbward.radiance.scratch import Room, let_go

UP = {
    "solar_north": ("SOLARPA", "solar north up"),
    "celestial_north": (None, "celestial north up"),
    "zenith": ("ZENITHPA", "zenith up"),
    "camera": ("UPPA", "as the camera was held"),
}

Pixels = NDArray[np.float32]

POLE = np.sqrt(3.0) - 2.0  # of the recursion that gives a cubic spline's coefficients
SEARCHED = 1200  # steps along the diagonal, in which the largest rectangle is looked for
ASIDE = 0.02
COLUMNS = 128  # filtered together down a picture: 512 bytes of every row, whole cache lines


@kernel
def along_rows(first: int, last: int, plane: Pixels, out: Pixels) -> None:
    """Write the coefficients of the cubic B-spline through the pixels of each row.

    Beyond its edges the plane goes on as it is there. M. Unser, A. Aldroubi, M. Eden, IEEE Trans.
    Signal Processing 41 (1993) 834: a causal and an anticausal recursion in each direction.
    """
    width = plane.shape[1]
    z, gain = np.float32(POLE), np.float32((1.0 - POLE) * (1.0 - 1.0 / POLE))
    even = np.float32(1.0 / (1.0 - POLE))
    left = np.float32(1.0 / (1.0 - POLE**2))
    for y in range(first, last):
        far = plane[y, width - 1] * gain * even
        before = plane[y, 0] * gain * even
        out[y, 0] = before
        for x in range(1, width):
            before = plane[y, x] * gain + z * before
            out[y, x] = before
        after = -z * (far * even + (before - far) * left)
        out[y, width - 1] = after
        for x in range(width - 2, -1, -1):
            after = z * (after - out[y, x])
            out[y, x] = after


@kernel
def down_columns(first: int, last: int, out: Pixels) -> None:
    """Turn the coefficients along rows into those of the plane, in place, by strips of columns."""
    height, width = out.shape
    z, gain = np.float32(POLE), np.float32((1.0 - POLE) * (1.0 - 1.0 / POLE))
    even = np.float32(1.0 / (1.0 - POLE))
    left = np.float32(1.0 / (1.0 - POLE**2))
    for part in range(first, last):
        a, b = part * COLUMNS, min((part + 1) * COLUMNS, width)
        far = out[height - 1, a:b] * (gain * even)
        for x in range(a, b):
            out[0, x] *= gain * even
        for y in range(1, height):
            for x in range(a, b):
                out[y, x] = out[y, x] * gain + z * out[y - 1, x]
        for x in range(a, b):
            rest = out[height - 1, x] - far[x - a]
            out[height - 1, x] = -z * (far[x - a] * even + rest * left)
        for y in range(height - 2, -1, -1):
            for x in range(a, b):
                out[y, x] = z * (out[y + 1, x] - out[y, x])


@kernel(inline="always")
def weights(way: float) -> tuple[np.float32, np.float32, np.float32, np.float32]:
    """Return the cubic B-spline at 1 + p, p, 1 - p and 2 - p, where p is the way from a pixel."""
    p = np.float32(way)
    q = np.float32(1.0) - p
    sixth = np.float32(1.0 / 6.0)
    a, d = q * q * q * sixth, p * p * p * sixth
    b = np.float32(2.0 / 3.0) - np.float32(0.5) * p * p * (np.float32(2.0) - p)
    return a, b, np.float32(1.0) - a - b - d, d


@kernel
def read_turned(
    first: int, last: int, c: Pixels, cos: float, sin: float, y0: float, x0: float, out: Pixels
) -> None:
    """Write the spline's values, from 0 to 1, along rows that are turned."""
    height, width = c.shape
    for row in range(first, last):
        for column in range(out.shape[1]):
            v = min(max(y0 + cos * row - sin * column, 0.0), height - 1.0)
            u = min(max(x0 + sin * row + cos * column, 0.0), width - 1.0)
            y, x = int(v), int(u)
            a0, a1, a2, a3 = weights(v - y)
            b0, b1, b2, b3 = weights(u - x)
            if 1 <= y < height - 2 and 1 <= x < width - 2:
                j0, j1, j2, j3 = x - 1, x, x + 1, x + 2
                i0, i1, i2, i3 = y - 1, y, y + 1, y + 2
            else:
                j0, j1, j2, j3 = max(x - 1, 0), x, min(x + 1, width - 1), min(x + 2, width - 1)
                i0, i1, i2, i3 = max(y - 1, 0), y, min(y + 1, height - 1), min(y + 2, height - 1)
            s = a0 * (b0 * c[i0, j0] + b1 * c[i0, j1] + b2 * c[i0, j2] + b3 * c[i0, j3])
            s += a1 * (b0 * c[i1, j0] + b1 * c[i1, j1] + b2 * c[i1, j2] + b3 * c[i1, j3])
            s += a2 * (b0 * c[i2, j0] + b1 * c[i2, j1] + b2 * c[i2, j2] + b3 * c[i2, j3])
            s += a3 * (b0 * c[i3, j0] + b1 * c[i3, j1] + b2 * c[i3, j2] + b3 * c[i3, j3])
            out[row, column] = min(max(s, np.float32(0.0)), np.float32(1.0))


def up_of(header: Header, wanted: str) -> tuple[float, str]:
    """Return the position angle that is up for a name of `UP`, degrees, and that in words.

    The camera's up where north is not known.
    """
    if not north_known(header):
        wanted = "camera"
    key, words = UP[wanted]
    if not north_known(header):
        words += " (north is not known)"
    return 0.0 if key is None else float(header[key]), words


def turned_up(header: Header, wanted: str, further_deg: float) -> tuple[float, str]:
    """Return what `up_of` does, for a picture turned anticlockwise by some degrees more."""
    up, words = up_of(header, wanted)
    if further_deg == 0.0:
        return up, words
    way = "anticlockwise" if further_deg > 0 else "clockwise"
    # In the sky's parity position angles grow anticlockwise: turned that way, the angle that is
    # up gets smaller.
    return up - further_deg, f"{words}, turned {abs(further_deg):g}° {way}"


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


@dataclass(frozen=True)
class TurnedFrame:
    """A rectangle that is cut out of a picture at an angle.

    Attributes
    ----------
    rows, columns : int
    turn : float
        By which it is turned, radians; pixel (column, row) lies in the picture at
        ``x0 + sin row + cos column``, ``y0 + cos row - sin column``.
    x0, y0 : float
        Where its first pixel lies.
    centre : (float, float)
        Where the picture's centre, the Sun, lies in it: pixels (x, y).
    """

    rows: int
    columns: int
    turn: float
    x0: float
    y0: float
    centre: tuple[float, float]

    @property
    def straight(self) -> bool:
        """Whether it is not turned at all."""
        return abs(self.turn) < 1e-11


def turned_frame(
    valid: NDArray[np.bool_], from_up: float, to_up: float, half_size: float | None = None
) -> TurnedFrame:
    """Return the rectangle that `turn_picture` cuts out; see there for the parameters."""
    height, width = valid.shape
    turn = half_turn(to_up - from_up)
    d = float(np.radians(turn))
    # Rows of (y, x): where a step down and a step to the right in the result go in the picture.
    matrix = np.array([[np.cos(d), -np.sin(d)], [np.sin(d), np.cos(d)]])
    middle = np.array([(height - 1) / 2.0, (width - 1) / 2.0])
    if half_size is None:
        reach = seen_reach(valid, matrix)
    else:
        wide, high = inner_size(width - 1, height - 1, turn)
        scale = min(_valid_scale(valid, matrix, wide, high), 2.0 * half_size / min(wide, high))
        reach = [0.5 * high * scale] * 2 + [0.5 * wide * scale] * 2
    # The centre stays where it is in its pixel.
    up, down, left, right = (
        _whole(way, part) for way, part in zip(reach, np.repeat(middle, 2), strict=True)
    )
    if half_size is None:
        up, down, left, right = _grown(valid, matrix, [up, down, left, right])
    start = middle - matrix @ np.array([up, left])
    return TurnedFrame(
        round(up + down) + 1,
        round(left + right) + 1,
        d,
        float(start[1]),
        float(start[0]),
        (left, up),
    )


def _whole(reach: float, middle: float) -> float:
    """Return the largest way to a pixel's centre within a reach, from a middle with its half."""
    half = float(middle) % 1.0
    return max(np.floor(reach - half + 1e-9), 0.0) + half


def seen_reach(valid: NDArray[np.bool_], matrix: NDArray[np.float64]) -> list[float]:
    """Return how far the best upright rectangle in a turned field reaches, by coarse steps.

    That is the one with the largest product of its area and the way to its nearest side.

    Parameters
    ----------
    valid : ndarray of bool, shape (H, W)
    matrix : ndarray, shape (2, 2)
        Where steps down and to the right go in it.

    Returns
    -------
    list of float
        Up, down, left and right of the centre, pixels; half the shorter side where that shows
        nothing.
    """
    height, width = valid.shape
    step = max(0.5, np.hypot(height, width) / SEARCHED)
    n = int(np.hypot(height, width) / 2.0 / step) + 1
    k = np.arange(-n, n + 1) * step
    middle = np.array([(height - 1) / 2.0, (width - 1) / 2.0])
    y = np.rint(middle[0] + matrix[0, 0] * k[:, None] + matrix[0, 1] * k).astype(np.int32)
    x = np.rint(middle[1] + matrix[1, 0] * k[:, None] + matrix[1, 1] * k).astype(np.int32)
    seen = (y >= 0) & (y < height) & (x >= 0) & (x < width)
    seen[seen] = valid[y[seen], x[seen]]
    if not seen[n, n]:
        return [(min(height, width) - 1) / 2.0] * 4
    # Each row's seen steps to the left and right of the centre's column; the rectangle from one row
    # to another has the least of those between.
    ways = [
        np.where(part.all(axis=1), n, np.argmin(part, axis=1) - 1)
        for part in (seen[:, n::-1], seen[:, n:])
    ]
    above, below = (
        [np.minimum.accumulate(way[rows]) for way in ways]
        for rows in (slice(n, None, -1), slice(n, None))
    )
    left, right = (np.minimum.outer(a, b) for a, b in zip(above, below, strict=True))
    up = np.arange(n + 1)
    area = (left + right) * np.add.outer(up, up) + 1.0
    # By area alone a frame turned by 60 degrees would be a strip as narrow as the inner corona.
    nearest = np.minimum(np.minimum(left, right), np.minimum.outer(up, up))
    worth = np.where(nearest < 0, 0.0, area * (nearest + 0.5))
    # A turned frame has many of one size: that with the centre in its middle is taken. For so small
    # a share of the area no seen row is given away.
    aside = np.abs(np.subtract.outer(up, up)) / np.maximum(np.add.outer(up, up), 1)
    aside = aside + np.abs(left - right) / np.maximum(left + right, 1)
    worth *= 1.0 - ASIDE * aside
    i, j = np.unravel_index(int(np.argmax(worth)), worth.shape)
    return [i * step, j * step, float(left[i, j]) * step, float(right[i, j]) * step]


def _grown(
    valid: NDArray[np.bool_], matrix: NDArray[np.float64], reach: list[float]
) -> list[float]:
    """Return the reach of a rectangle, as `seen_reach` does, with the seen pixels beside it."""
    height, width = valid.shape
    middle = np.array([[(height - 1) / 2.0], [(width - 1) / 2.0]])

    def seen(side: int) -> bool:
        """Tell whether the line of pixels next to a side is seen."""
        away = (reach[side] + 1.0) * (-1.0 if side % 2 == 0 else 1.0)
        before, after = reach[2:] if side < 2 else reach[:2]
        along = np.arange(round(before + after) + 1) - before
        across = np.full(along.size, away)
        line = np.stack([across, along] if side < 2 else [along, across])
        y, x = np.rint(middle + matrix @ line).astype(np.int32)
        if min(y.min(), x.min()) < 0 or y.max() >= height or x.max() >= width:
            return False
        return bool(valid[y, x].all())

    most = int(np.hypot(height, width) / SEARCHED) + 1
    for side in range(4):
        for _ in range(most):
            if not seen(side):
                break
            reach[side] += 1.0
    return reach


def turn_picture(
    picture: Pixels,
    valid: NDArray[np.bool_],
    from_up: float,
    to_up: float,
    half_size: float | None = None,
    room: Room = np.empty,
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
        proportion of width to height, and centred on the same point. Otherwise a rectangle that
        may reach further to one side is kept, see `seen_reach`.
    room : callable
        Makes the result where the direction changes.

    Returns
    -------
    ndarray of float32, shape (C, h, w)
        By one cubic-spline interpolation, none at all if the direction does not change.
    """
    height, width = valid.shape
    frame = turned_frame(valid, from_up, to_up, half_size)
    rows, columns, d = frame.rows, frame.columns, frame.turn
    if frame.straight:
        y, x = round(frame.y0), round(frame.x0)
        return np.ascontiguousarray(picture[:, y : y + rows, x : x + columns])
    out = room((len(picture), rows, columns), np.float32)
    # Own kernels in place of scipy's: 0.9 s of a processor for 24 megapixels in place of 4.3.
    spline = np.empty((height, width), np.float32)
    for plane, into in zip(picture, out, strict=True):
        in_threads(along_rows, height, plane, spline)
        let_go(picture)
        in_threads(down_columns, -(-width // COLUMNS), spline)
        in_threads(read_turned, rows, spline, np.cos(d), np.sin(d), frame.y0, frame.x0, into)
        let_go(out)
    return out


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
