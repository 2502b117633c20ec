"""One sharp, linear plane of a frame to measure limbs on: its green pixels, or another colour's."""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, lcm
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import GREEN, RawFrame
from limbward.compiled import kernel

SATURATED = 0.98  # fraction of the white level: converters clip a little below it


@dataclass(frozen=True)
class Plane:
    """A plane of brightness.

    Attributes
    ----------
    image : ndarray of float32, shape (h, w)
        ADU above black; 0 where the file has no value.
    saturated : ndarray of bool, shape (h, w)
        A pixel that went into the value is clipped, or missing.
    scale : float
        Full raw pixels to a pixel of the plane.
    origin : tuple of float
        Full raw coordinates (x, y) of the centre of the plane's first pixel.
    """

    image: NDArray[np.float32]
    saturated: NDArray[np.bool_]
    scale: float
    origin: tuple[float, float]


@dataclass(frozen=True)
class Cell:
    """How a mosaic is cut into square cells: side, first pixel (y, x), centre of one colour's."""

    side: int
    start: tuple[int, int]
    centre: tuple[float, float]


def green_plane(frame: RawFrame, *, any_colour: bool = False, colour: int = GREEN) -> Plane:
    """Return the green plane of a frame.

    Parameters
    ----------
    frame : RawFrame
    any_colour : bool
        Whether a clipped pixel of another colour also marks a cell as saturated.
    colour : int
        Another colour's plane (0 red, 2 blue) instead, in which "green" below is that colour.

    Returns
    -------
    Plane
        At full resolution for monochrome and RGB frames (the G plane). For a mosaic, the mean of
        the greens of each cell: half resolution for 2 x 2 patterns.

    Notes
    -----
    Cells are cut so that the greens of each lie the same way in it, see `green_cell`: then the
    plane is an even sampling of the image and a limb fitted on it is unbiased.
    """
    ceiling = SATURATED * frame.white
    if not frame.is_mosaic:
        mono = frame.data.ndim == 2
        data = frame.data if mono else frame.data[colour]
        # RGB has its saturation judged on one alone, unless another colour is asked for.
        judged = frame.data.max(axis=0) if any_colour and not mono else data
        image = data.astype(np.float32) - np.float32(frame.black.ravel()[0 if mono else colour])
        saturated = reaches(judged, ceiling)
        if data.dtype.kind == "f":
            _mark_missing(image, saturated)
        return Plane(image, saturated, 1.0, (0.0, 0.0))
    cell = green_cell(frame.pattern, colour)
    n, (y0, x0) = cell.side, cell.start
    rows, columns = (frame.height - y0) // n, (frame.width - x0) // n
    # The tile seen from the first cell, laid out over a multiple of both periods.
    side = lcm(n, *frame.pattern.shape)
    greens = _laid_out(frame.pattern == colour, side, cell.start)
    black = _laid_out(frame.black, side, cell.start)
    image = np.empty((rows, columns), np.float32)
    saturated = np.empty((rows, columns), np.bool_)
    view = frame.data[y0 : y0 + rows * n, x0 : x0 + columns * n]
    if colour == GREEN and n == 2 and greens.shape == (2, 2) and frame.data.dtype == np.uint16:
        first, second = (int(x) for x in np.nonzero(greens)[1])
        _bayer_cells(
            view, first, second, float(black[greens].sum()), ceiling, any_colour, image, saturated
        )
    elif greens.shape == (n, n) and greens.sum() == 1 and not any_colour:
        i, j = (int(k[0]) for k in np.nonzero(greens))
        one = view[i::n, j::n]
        np.subtract(one, np.float32(black[i, j]), out=image, dtype=np.float32)
        saturated = reaches(one, ceiling)
        if one.dtype.kind == "f":
            _mark_missing(image, saturated)
    else:
        _cells(view, n, greens, black, ceiling, any_colour, image, saturated)
    return Plane(image, saturated, float(n), (x0 + cell.centre[1], y0 + cell.centre[0]))


def green_cell(pattern: NDArray[np.int8], colour: int = GREEN) -> Cell:
    """Return the smallest cells that cut a mosaic so that all have their greens the same way.

    Parameters
    ----------
    pattern : ndarray, shape (ph, pw)
    colour : int
        Another colour instead.

    Returns
    -------
    Cell
        Of side 2 for 2 x 2 patterns; 3 for the 6 x 6 pattern whose 3 x 3 blocks hold five greens.
    """
    side = lcm(*pattern.shape)
    green = _laid_out(pattern == colour, 2 * side, (0, 0))
    for n in (n for n in range(1, side + 1) if side % n == 0):
        for y0 in range(n):
            for x0 in range(n):
                block = green[y0 : y0 + side, x0 : x0 + side]
                cells = block.reshape(side // n, n, side // n, n).swapaxes(1, 2).reshape(-1, n, n)
                count = cells.sum(axis=(1, 2))
                if count.min() == 0:
                    continue
                ys = (cells * np.arange(n)[:, None]).sum(axis=(1, 2)) / count
                xs = (cells * np.arange(n)).sum(axis=(1, 2)) / count
                if np.ptp(count) == 0 and np.ptp(ys) < 1e-9 and np.ptp(xs) < 1e-9:
                    return Cell(n, (y0, x0), (float(ys[0]), float(xs[0])))
    raise ValueError(f"the mosaic has no {('red', 'green', 'blue')[colour]} pixels")


def saturated_fraction(frame: RawFrame) -> float:
    """Return the fraction of a frame's samples at or above the saturation level."""
    return float(np.count_nonzero(reaches(frame.data, SATURATED * frame.white)) / frame.data.size)


def _mark_missing(image: NDArray[np.float32], saturated: NDArray[np.bool_]) -> None:
    """Count values that are no numbers as saturated, and put 0 in their places."""
    missing = ~np.isfinite(image)
    image[missing] = 0.0
    saturated |= missing


def reaches(samples: NDArray[Any], level: float) -> NDArray[np.bool_]:
    """Return which samples are at a level or above.

    Whole numbers are compared with a whole number, which takes a sixth of the time.
    """
    if samples.dtype.kind == "u" and np.isfinite(level):
        least = max(ceil(level), 0)
        if least > np.iinfo(samples.dtype).max:
            return np.zeros(samples.shape, np.bool_)
        return np.asarray(samples >= least)
    return np.asarray(samples >= level)


def _laid_out(tile: NDArray[Any], side: int, start: tuple[int, int]) -> NDArray[Any]:
    rows = (start[0] + np.arange(side)) % tile.shape[0]
    columns = (start[1] + np.arange(side)) % tile.shape[1]
    return np.ascontiguousarray(tile[np.ix_(rows, columns)])


def _bayer_cells_loop(
    data: NDArray[np.uint16],
    first: int,
    second: int,
    black: float,
    ceiling: float,
    any_colour: bool,
    image: NDArray[np.float32],
    saturated: NDArray[np.bool_],
) -> None:
    """Fill the plane of a 2 x 2 mosaic with the greens in columns ``first`` and ``second``."""
    rows, columns = image.shape
    limit = np.uint16(min(np.ceil(ceiling), 65535.0))
    for i in range(rows):
        top, bottom = data[2 * i], data[2 * i + 1]
        for j in range(columns):
            a, b = top[2 * j + first], bottom[2 * j + second]
            image[i, j] = np.float32(0.5) * (
                np.float32(np.uint32(a) + np.uint32(b)) - np.float32(black)
            )
            saturated[i, j] = (a >= limit) | (b >= limit)
        if any_colour:
            for j in range(columns):
                c, d = top[2 * j + 1 - first], bottom[2 * j + 1 - second]
                saturated[i, j] |= (c >= limit) | (d >= limit)


def _cells_loop(
    data: NDArray[Any],
    n: int,
    greens: NDArray[np.bool_],
    black: NDArray[np.float32],
    ceiling: float,
    any_colour: bool,
    image: NDArray[np.float32],
    saturated: NDArray[np.bool_],
) -> None:
    """Fill the plane of any mosaic; a value that is not a number counts as missing."""
    rows, columns = image.shape
    side = greens.shape[0]
    for i in range(rows):
        for j in range(columns):
            total, count, clipped = 0.0, 0, False
            for k in range(n):
                y = i * n + k
                for m in range(n):
                    x = j * n + m
                    green = greens[y % side, x % side]
                    if not (green or any_colour):
                        continue
                    value = np.float64(data[y, x])
                    if not value < ceiling:
                        clipped = True
                    if green and value == value:
                        total += value - black[y % side, x % side]
                        count += 1
            image[i, j] = total / count if count > 0 else 0.0
            saturated[i, j] = clipped


_bayer_cells: Callable[..., None] = kernel(_bayer_cells_loop)
_cells: Callable[..., None] = kernel(_cells_loop)
