"""Smoothing where the noise asks for it, and filling of gaps for the eye."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from limbward.compiled import in_threads, kernel
from limbward.picture.blur import Blur, between, line_at
from limbward.radiance.scratch import Room, by_rows, let_go

Pixels = NDArray[np.float32]

BLURS_PX = (1.0, 2.0, 4.0, 8.0, 16.0)
ROWS = 512  # smoothed at a time, a multiple of the widest blur's bins
REACH = 64  # rows beside them that the widest blur reads: 56, and the bins of 8 that they lie in
CORRELATION_PX = 0.8  # the noise of the merge is itself as if blurred by this


@kernel
def along_rows(begin: int, end: int, image: Pixels) -> None:
    """Give missing pixels the nearest value in their row, in place."""
    width = image.shape[1]
    for y in range(begin, end):
        last = -1
        for x in range(width):
            if np.isfinite(image[y, x]):
                for gap in range(last + 1, x):
                    nearer = last if last >= 0 and gap - last <= x - gap else x
                    image[y, gap] = image[y, nearer]
                last = x
        if last >= 0:
            for gap in range(last + 1, width):
                image[y, gap] = image[y, last]


@kernel
def mix(
    first: int,
    last: int,
    above: int,
    value: Pixels,
    at: NDArray[np.int32],
    share: Pixels,
    factor: int,
    depth: Pixels,
    level: int,
    out: Pixels,
) -> None:
    """Move pixels towards a blurred picture, given in bins, where the depth is beyond a level.

    The blurred picture has so many rows above.
    """
    width = out.shape[1]
    for y in range(first, last):
        line = line_at(value, above + y, factor)
        for x in range(width):
            part = min(max(depth[y, x] - np.float32(level), np.float32(0.0)), np.float32(1.0))
            j = at[x]
            blurred = line[j] + share[x] * (line[j + 1] - line[j])
            out[y, x] += part * (blurred - out[y, x])


@kernel
def depths(
    first: int, last: int, noise: Pixels, target: float, falls: NDArray[np.float64], out: Pixels
) -> None:
    """Write rows of `depth_of`."""
    for y in range(first, last):
        for x in range(noise.shape[1]):
            depth = 0.0
            if noise[y, x] > target:
                wanted = np.log(target / noise[y, x])
                while depth < falls.size - 1 and wanted <= falls[int(depth) + 1]:
                    depth += 1.0
                k = int(depth)
                if k < falls.size - 1:
                    depth += (falls[k] - wanted) / (falls[k] - falls[k + 1])
            out[y, x] = np.float32(depth)


def fill_nearest(
    image: Pixels,
    box: tuple[slice, slice] | None = None,
    *,
    in_place: bool = False,
    room: Room = np.empty,
) -> Pixels:
    """Return the picture with its missing pixels taken from near known ones.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
    box : (slice, slice), optional
        Rows and columns in which the nearest pixel is searched in all directions, which takes 100
        bytes a pixel; elsewhere it is the nearest in the row. Everywhere if not given.
    in_place : bool
        Whether the picture itself is filled.
    room : callable
        Makes the result otherwise.
    """
    missing = np.empty(image.shape, bool)
    for rows in by_rows(len(image), image):
        np.logical_not(np.isfinite(image[rows]), out=missing[rows])
    if not missing.any() or missing.all():
        return image
    out = image if in_place else _copied(image, room)
    box = box or (slice(None), slice(None))
    gap = missing[box]
    if gap.any() and not gap.all():
        out[box][gap] = image[box].ravel()[_nearest(gap.tobytes(), gap.shape)]
    for part in by_rows(len(out), out):
        in_threads(along_rows, part.stop - part.start, out, first=part.start)
    empty = ~np.isfinite(out[:, 0])  # rows in which nothing is known
    if empty.any():
        full = np.nonzero(~empty)[0]
        for row in np.nonzero(empty)[0]:
            out[row] = out[full[np.abs(full - row).argmin()]]
    let_go(out)
    return out


def _copied(image: Pixels, room: Room) -> Pixels:
    out = room(image.shape, np.float32)
    for rows in by_rows(len(image), image, out):
        out[rows] = image[rows]
    return out


@lru_cache(maxsize=8)
def _nearest(missing: bytes, shape: tuple[int, int]) -> NDArray[np.int32]:
    """Return the place, in the picture laid flat, of what is nearest to each missing pixel.

    It is kept: lightness, colours and structure of one picture have the same gaps, again and again
    while somebody moves a slider, and the search takes ten times as long as the filling.
    """
    gap = np.frombuffer(missing, bool).reshape(shape)
    at = distance_transform_edt(gap, return_distances=False, return_indices=True)
    return np.ravel_multi_index((at[0][gap], at[1][gap]), shape).astype(np.int32)


def _falls() -> NDArray[np.float64]:
    """Return the logarithms of what each blur leaves of the noise, from none on."""
    width = np.hypot(BLURS_PX, CORRELATION_PX)
    return np.log(np.concatenate([[1.0], np.minimum(1.0 / (np.sqrt(np.pi) * width), 1.0)]))


def depth_of(noise: Pixels, target: float, room: Room = np.empty) -> Pixels:
    """Return how far along the series of blurs each pixel has to go.

    Parameters
    ----------
    noise : ndarray of float32, shape (H, W)
        Without gaps; one standard deviation.
    target : float
        Noise that may stay.
    room : callable
        Makes the result.

    Returns
    -------
    ndarray of float32, shape (H, W)
        0 is the picture itself, 1 the first of `BLURS_PX`, 1.5 midway to the second.
    """
    out, falls = room(noise.shape, np.float32), _falls()
    for rows in by_rows(len(out), noise, out):
        in_threads(depths, rows.stop - rows.start, noise, target, falls, out, first=rows.start)
    return out


def smooth_to_depth(image: Pixels, depth: Pixels, out: Pixels | None = None) -> Pixels:
    """Return a picture blurred as far as `depth_of` says, some rows after the others.

    Parameters
    ----------
    image, depth : ndarray of float32, shape (H, W)
        Without gaps.
    out : ndarray of float32, shape (H, W), optional
        Where to write; not ``image`` itself.
    """
    out = np.empty(image.shape, np.float32) if out is None else out
    for rows, around, first in bands(len(image)):
        out[rows] = smoothed(image[around], depth[rows], first)
        let_go(image, depth, out)
    return out


def bands(height: int, rows: int = ROWS) -> Iterator[tuple[slice, slice, int]]:
    """Yield rows that are smoothed at a time, all that they depend on, and how many lie above.

    Parameters
    ----------
    height : int
        Of a picture.
    rows : int
        At a time, a multiple of the widest blur's bins of 8.
    """
    for top in range(0, height, rows):
        begin, end = max(top - REACH, 0), min(top + rows, height)
        yield slice(top, end), slice(begin, min(end + REACH, height)), top - begin


def smoothed(image: Pixels, depth: Pixels, first: int) -> Pixels:
    """Return those rows of a picture from the first on whose depth is given, smoothed.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
        All that they depend on, from `bands`.
    depth : ndarray of float32, shape (h, W)
        From `depth_of`.
    first : int
        Rows of the picture above them.
    """
    last = first + len(depth)
    out = np.array(image[first:last])
    deepest, scratch = float(depth.max()), np.empty(image.shape, np.float32)
    for level, width in enumerate(BLURS_PX):
        if deepest <= level:
            break
        blur = Blur((image.shape[0], image.shape[1]), width)
        means = blur.means(image, scratch)
        places = between(means.shape[1], blur.factor, image.shape[1])
        in_threads(mix, len(out), first, means, *places, blur.factor, depth, level, out)
    return out


def smooth_to_noise(
    image: Pixels, noise: Pixels, target: float, out: Pixels | None = None
) -> Pixels:
    """Return a picture blurred just so much that its noise falls to a target.

    Parameters
    ----------
    image, noise : ndarray of float32, shape (H, W)
        Without gaps; the noise is one standard deviation.
    target : float
        Noise that may stay.
    out : ndarray of float32, shape (H, W), optional
        Where to write; not ``image`` itself.

    Returns
    -------
    ndarray of float32, shape (H, W)
        Each pixel lies between two of a series of Gaussian blurs, the widest 16 pixels.

    Notes
    -----
    White noise blurred by a Gaussian of width s falls by ``1 / (2 sqrt(pi) s)``.
    """
    out = np.empty(image.shape, np.float32) if out is None else out
    for rows, around, first in bands(len(image)):
        out[rows] = smoothed(image[around], depth_of(noise[rows], target), first)
        let_go(image, noise, out)
    return out
