"""Small colour versions of frames, on which frames are compared with each other."""

from collections.abc import Callable
from dataclasses import dataclass
from math import lcm
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import GREEN, RawFrame
from limbward.camera.luminance import SATURATED
from limbward.compiled import kernel


@dataclass(frozen=True)
class Reduced:
    """A frame averaged over square bins.

    Attributes
    ----------
    planes : ndarray of float32, shape (3, h, w)
        Mean R, G, B of each bin, ADU above black; NaN where a sample of that colour is saturated or
        missing. The three are equal for a monochrome frame.
    factor : int
        Side of a bin, full raw pixels. The centre of bin ``i`` is at ``factor * (i + 0.5) - 0.5``.
    """

    planes: NDArray[np.float32]
    factor: int


def reduce_frame(frame: RawFrame, long_side: int = 768) -> Reduced:
    """Average a frame over bins that hold whole tiles of its mosaic.

    Parameters
    ----------
    frame : RawFrame
    long_side : int
        The longer side of the result is at most this, pixels.

    Returns
    -------
    Reduced
        Rows and columns beyond the last whole bin are left out.

    Notes
    -----
    The centre of a bin's red (or blue) pixels is up to half a pixel off the centre of the bin.
    """
    tile = lcm(*frame.pattern.shape) if frame.is_mosaic else 1
    tiles = -(-max(frame.height, frame.width) // (long_side * tile))
    factor = tile * tiles
    if factor > min(frame.height, frame.width):
        factor = tile
    h, w = frame.height // factor, frame.width // factor
    ceiling = SATURATED * frame.white
    planes = np.empty((3, h, w), np.float32)
    if frame.is_mosaic:
        index = np.arange(factor)
        ph, pw = frame.pattern.shape
        places = np.ix_(index % ph, index % pw)
        colours = np.ascontiguousarray(frame.pattern[places])
        black = frame.black[places]
        count = np.array([np.count_nonzero(colours == c) for c in range(3)], np.float64)
        # The bin's black is the mean over its pixels of that colour, taken off once.
        level = np.array([black[colours == c].mean() if count[c] else 0.0 for c in range(3)])
        _bin_mosaic(frame.data, factor, colours, count, level, ceiling, planes)
    else:
        data = frame.data[None] if frame.data.ndim == 2 else frame.data
        for c in range(data.shape[0]):
            _bin_plane(data[c], factor, float(frame.black.ravel()[c]), ceiling, planes[c])
        if data.shape[0] == 1:
            planes[1:] = planes[0]
    return Reduced(planes, factor)


def coarser(reduced: Reduced, times: int) -> Reduced:
    """Return a reduced frame averaged again over ``times`` x ``times`` of its bins.

    A bin of which any part is NaN is NaN. Bins beyond the last whole one are left out.
    """
    _, h, w = reduced.planes.shape
    rows, columns = h // times, w // times
    whole = reduced.planes[:, : rows * times, : columns * times]
    bins = whole.reshape(3, rows, times, columns, times)
    return Reduced(np.asarray(bins.mean(axis=(2, 4)), np.float32), reduced.factor * times)


def green_of(reduced: Reduced) -> NDArray[np.float32]:
    """Return the green plane of a reduced frame."""
    green: NDArray[np.float32] = reduced.planes[GREEN]
    return green


def _bin_mosaic_loop(
    data: NDArray[Any],
    factor: int,
    colours: NDArray[np.int8],
    count: NDArray[np.float64],
    level: NDArray[np.float64],
    ceiling: float,
    planes: NDArray[np.float32],
) -> None:
    """Average each colour of each bin."""
    _, h, w = planes.shape
    total = np.empty((3, w), np.float64)
    clipped = np.empty((3, w), np.bool_)
    for i in range(h):
        total[:] = 0.0
        clipped[:] = False
        for k in range(factor):
            row = data[i * factor + k]
            for m in range(factor):
                c = colours[k, m]
                for j in range(w):
                    value = row[j * factor + m]
                    total[c, j] += value
                    clipped[c, j] |= not (value < ceiling)
        for c in range(3):
            for j in range(w):
                if clipped[c, j] or count[c] == 0:
                    planes[c, i, j] = np.nan
                else:
                    planes[c, i, j] = total[c, j] / count[c] - level[c]


def _bin_plane_loop(
    data: NDArray[Any], factor: int, black: float, ceiling: float, plane: NDArray[np.float32]
) -> None:
    """Average each bin of one colour."""
    h, w = plane.shape
    for i in range(h):
        for j in range(w):
            total, clipped = 0.0, False
            for k in range(factor):
                for m in range(factor):
                    value = data[i * factor + k, j * factor + m]
                    total += value
                    clipped |= not (value < ceiling)
            plane[i, j] = np.nan if clipped else total / (factor * factor) - black


_bin_mosaic: Callable[..., None] = kernel(_bin_mosaic_loop)
_bin_plane: Callable[..., None] = kernel(_bin_plane_loop)
