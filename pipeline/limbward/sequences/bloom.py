"""Light beyond a sensor's range as a soft glow: what its surroundings say, carried on inwards."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, label

from limbward.radiance.scratch import Room, by_rows, let_go
from limbward.sequences.cut import Cut
from limbward.sequences.distance import apart

Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACH = 1.5  # pixels of the camera that interpolated colours take from beside a clipped one
STEEPEST = 0.35  # of the logarithm of the light, per pixel: a sharp lens' aureole
FADED = 33.0  # times that reach: there the glow's share of the light is a ten-millionth
MOST = 30.0  # times the light at the edge of what is clipped
# What is clipped in white light is photosphere, thousands of times as bright as the corona for
# which contacts are exposed: its middle is drawn so many times as bright as white, or brighter.
AT_LEAST = 8.0
KNEE = 4.0  # a larger one is a harder knee


@dataclass(frozen=True)
class Glow:
    """A part of a picture in which light goes on where the sensor was saturated.

    Attributes
    ----------
    rows, columns : slice
        Where it is.
    light : ndarray of float32, shape (3, h, w)
        Instead of what the picture has there.
    """

    rows: slice
    columns: slice
    light: Pixels

    def put_into(self, part: Pixels, rows: slice) -> None:
        """Write it to some rows of the picture, all their columns, shape (3, n, W)."""
        first, last = max(rows.start, self.rows.start), min(rows.stop, self.rows.stop)
        if first < last:
            own = self.light[:, first - self.rows.start : last - self.rows.start]
            part[:, first - rows.start : last - rows.start, self.columns] = own
            let_go(self.light)


def bloomed(made: Cut, pixel: float = 1.0, white: float = 1.0) -> Pixels:
    """Return a cut in which light goes on where the sensor was saturated, as `glow_of` says.

    Returns
    -------
    ndarray of float32, shape (3, S, S)
        The cut's own where there is nothing to do.
    """
    glow = glow_of(made, pixel, white)
    if glow is None:
        return made.picture
    out = np.array(made.picture)
    glow.put_into(out, slice(0, out.shape[1]))
    return out


def glow_of(
    made: Cut, pixel: float = 1.0, white: float = 1.0, room: Room = np.empty
) -> Glow | None:
    """Return how light goes on where the sensor was saturated; None where it was not.

    Parameters
    ----------
    made : Cut
    pixel : float
        Size of a pixel of the camera in pixels of the cut.
    white : float
        Light of the cut that is drawn as white: more than 1 in exposures longer than others.
    room : callable
        Makes arrays of the size of what is saturated and its surroundings.

    Returns
    -------
    Glow or None
        Beyond 1 where white light was clipped, and without colour there and just around: of a
        clipped pixel only one or two colours may be known, and interpolation spreads that.

    Notes
    -----
    Around a diamond ring the light falls like the wings of the lens' blur, so its logarithm is
    carried on inwards with the slope that it has in the unsaturated pixels around, or with a
    steeper one by which its middle is white. How bright that really was no such frame tells.
    """
    found = _without_colour(made, room)
    if found is None:
        return None
    bare, (top, left) = found
    reach = REACH * max(pixel, 1.0)
    deepest = -float(apart(bare, room).min())
    margin = math.ceil(max(FADED * reach, deepest))
    height, width = made.clipped.shape
    rows, columns = (
        slice(max(0, a - margin), min(size, a + n + margin))
        for a, n, size in zip((top, left), bare.shape, (height, width), strict=True)
    )
    whole = np.zeros((rows.stop - rows.start, columns.stop - columns.start), bool)
    whole[top - rows.start :, left - columns.start :][: bare.shape[0], : bare.shape[1]] = bare
    light = room((3, *whole.shape), np.float32)
    for part in by_rows(len(whole), light, made.picture):
        shifted = slice(part.start + rows.start, part.stop + rows.start)
        light[:, part] = made.picture[:, shifted, columns]
    _carry_on(light, whole, reach, deepest, white, room)
    return Glow(rows, columns, light)


def _carry_on(
    picture: Pixels, bare: Mask, reach: float, deepest: float, white: float, room: Room
) -> None:
    """Let light go on where it is not known, in a picture (3, h, w) with what is around that.

    ``deepest`` is the largest distance of such a pixel from what is known.
    """
    away = apart(bare, room)
    light = room(bare.shape, np.float32)
    for rows in by_rows(len(bare), picture, light):
        light[rows] = np.log(np.maximum(picture[:, rows].mean(axis=0), np.float32(1e-6)))
    rise = math.log(max(AT_LEAST * white, 1.0))
    # Rounding the ridge takes a third off a cone's height.
    least = min(rise / (0.67 * deepest), STEEPEST)
    slope = max(_slope(light, away, reach), least)
    glow = room(bare.shape, np.float32)
    most = max(1.5 * rise, math.log(MOST))
    for rows in by_rows(len(bare), light, away, glow):
        glow[rows] = light[rows] + np.minimum(slope * np.maximum(-away[rows], 0.0), most)
    # The ridge in the middle, where two sides meet, is rounded.
    soft = _blurred(glow, 0.25 * deepest, room)
    for rows in by_rows(len(bare), light, away, glow, soft, picture):
        lit = np.array(glow[rows])
        inside = np.clip((-away[rows] - reach) / (2.0 * reach), 0.0, 1.0)
        lit += inside * np.maximum(soft[rows] - lit, light[rows] - lit)
        pale = np.exp(-np.maximum(away[rows] - reach, 0.0) / (2.0 * reach))
        part = picture[:, rows]
        part += pale * (np.exp(lit) - part)


def _blurred(plane: Pixels, sigma: float, room: Room) -> Pixels:
    """Return a plane (h, w) blurred by a Gaussian, some columns and then some rows at a time."""
    out = room(plane.shape, np.float32)
    for columns in by_rows(plane.shape[1], plane, out):
        out[:, columns] = gaussian_filter1d(np.array(plane[:, columns]), sigma, axis=0)
    for rows in by_rows(plane.shape[0], out):
        out[rows] = gaussian_filter1d(np.array(out[rows]), sigma, axis=1)
    return out


def _without_colour(made: Cut, room: Room) -> tuple[Mask, tuple[int, int]] | None:
    """Return what of the clipped pixels belongs to white light; prominences clip in red alone.

    That is a part of the picture with all of it and a pixel more around, and its first row and
    column. None where there is none, or where all is clipped.
    """
    clipped, white = made.clipped, made.white
    down, across = np.zeros(len(clipped), bool), np.zeros(clipped.shape[1], bool)
    known = False
    for rows in by_rows(len(clipped), clipped):
        part = clipped[rows]
        known |= not part.all()
        down[rows] = part.any(axis=1)
        across |= part.any(axis=0)
    if not known or not down.any():
        return None
    box = _around(down, across)
    bare = np.array(clipped[box])
    let_go(clipped)
    if white is not None:
        parts = room(bare.shape, np.int32)
        count = label(bare, structure=np.ones((3, 3)), output=parts)
        counts = np.zeros(count + 1, bool)
        for rows in by_rows(len(bare), parts, white):
            shifted = slice(rows.start + box[0].start, rows.stop + box[0].start)
            counts[parts[rows][bare[rows] & white[shifted, box[1]]]] = True
        counts[0] = False
        for rows in by_rows(len(bare), parts):
            bare[rows] = counts[parts[rows]]
        if not bare.any():
            return None
        own = _around(np.any(bare, axis=1), np.any(bare, axis=0))
        bare = bare[own]
        return bare, (box[0].start + own[0].start, box[1].start + own[1].start)
    return bare, (box[0].start, box[1].start)


def _around(down: Mask, across: Mask) -> tuple[slice, ...]:
    """Return the rows and columns from the first to the last marked, with one more around."""
    marked = (np.flatnonzero(which) for which in (down, across))
    return tuple(slice(max(0, int(at[0]) - 1), int(at[-1]) + 2) for at in marked)


def _slope(logarithm: Pixels, away: Pixels, reach: float) -> float:
    """Return by how much the logarithm of the light falls per pixel, away from what is clipped."""
    steps = [1.5 * reach, 3.0 * reach, 5.0 * reach]
    found: list[list[Pixels]] = [[], []]
    places: list[list[Pixels]] = [[], []]
    for rows in by_rows(len(away), logarithm, away):
        outside = away[rows]
        for k, (a, b) in enumerate(pairwise(steps)):
            ring = (outside > a) & (outside <= b)
            found[k].append(logarithm[rows][ring])
            places[k].append(outside[ring])
    if not all(sum(map(len, ring)) for ring in found):
        return STEEPEST
    # The brighter half of each ring: the Moon hides the rest.
    near, far = (float(np.quantile(np.concatenate(ring), 0.75)) for ring in found)
    inner, outer = (float(np.concatenate(ring).mean(dtype=float)) for ring in places)
    return min(max((near - far) / (outer - inner), 0.02), STEEPEST)


def shouldered(value: Pixels) -> Pixels:
    """Return tones from 0 on, below 1: the lower half as they were, the highest bent softly.

    Examples
    --------
    >>> shouldered(np.float32([0.0, 0.5, 1.0, 2.0])).round(2).tolist()
    [0.0, 0.49000000953674316, 0.8399999737739563, 0.9800000190734863]
    """
    return np.asarray(value / (1.0 + value**KNEE) ** (1.0 / KNEE), np.float32)
