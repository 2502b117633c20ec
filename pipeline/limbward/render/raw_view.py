"""A decoded frame as a person looks at it: any part of it, at any of several sizes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import convolve

from limbward.camera.frame import RawFrame
from limbward.camera.mosaic import interpolated, laid_out
from limbward.render.space import SRGB

Pixels = NDArray[np.float32]

TILE_PX = 512
SMALLEST_PX = 256  # of the longer side of the smallest size
# To fill a colour of half the size that a wider pattern leaves out there.
NEAR = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], np.float32)
CLIPPED = 0.985  # of the range from black to white


@dataclass(frozen=True)
class FrameView:
    """A frame in several sizes, each half of the one before.

    Attributes
    ----------
    frame : RawFrame
        The full size is computed from it, tile by tile.
    smaller : tuple of ndarray of float16, shape (3, h, w)
        Half the size and so on: the part of the range from black to white, camera colours.
    """

    frame: RawFrame
    smaller: tuple[NDArray[np.float16], ...]

    @property
    def levels(self) -> int:
        """How many sizes there are, the full one included."""
        return len(self.smaller) + 1


def frame_view(frame: RawFrame) -> FrameView:
    """Return the sizes of a frame.

    Notes
    -----
    At 24 megapixels it takes 0.1 s, and 48 MB besides the frame.
    """
    sizes: list[NDArray[np.float16]] = []
    part = _halved(frame)
    while True:
        sizes.append(part.astype(np.float16))
        if max(part.shape[1:]) <= SMALLEST_PX:
            return FrameView(frame, tuple(sizes))
        part = _half(part)


def tile(view: FrameView, level: int, column: int, row: int, stops: float) -> NDArray[np.uint8]:
    """Return a tile of a frame as encoded sRGB.

    Parameters
    ----------
    view : FrameView
    level : int
        0 is the full size, each further one half.
    column, row : int
        Of tiles of `TILE_PX` pixels.
    stops : float
        By how much brighter it is shown, factors of two.

    Returns
    -------
    ndarray of uint8, shape (h, w, 3)
        White-balanced for daylight. What is clipped is white.

    Raises
    ------
    ValueError
        If there is no such tile.
    """
    if not 0 <= level < view.levels or column < 0 or row < 0:
        raise ValueError("there is no such tile")
    frame = view.frame
    if level:
        source = view.smaller[level - 1]
        height, width = source.shape[1:]
    else:
        height, width = frame.height, frame.width
    top, left = row * TILE_PX, column * TILE_PX
    if top >= height or left >= width:
        raise ValueError("there is no such tile")
    rows = slice(top, min(top + TILE_PX, height))
    columns = slice(left, min(left + TILE_PX, width))
    part = source[:, rows, columns].astype(np.float32) if level else _full(frame, rows, columns)
    return _shown(part, frame, stops)


def _shown(part: Pixels, frame: RawFrame, stops: float) -> NDArray[np.uint8]:
    clipped = (part >= CLIPPED).any(axis=0)
    balanced = part * (frame.daylight * np.float32(2.0**stops))[:, None, None]
    out = SRGB.encode(np.einsum("ij,jhw->hwi", frame.to_srgb, balanced)) * 255.0 + 0.5
    out[clipped] = 255.0
    return out.astype(np.uint8)


def _full(frame: RawFrame, rows: slice, columns: slice) -> Pixels:
    """Return the colours of a part at full size, demosaiced by weighted means of neighbours."""
    if frame.data.ndim == 3:
        return _range_of(frame, frame.data[:, rows, columns])
    if not frame.is_mosaic:
        part = _range_of(frame, frame.data[rows, columns], rows.start, columns.start)
        return np.broadcast_to(part, (3, *part.shape)).copy()
    edge = 1 if frame.pattern.shape == (2, 2) else 2
    top, left = max(rows.start - edge, 0), max(columns.start - edge, 0)
    bottom = min(rows.stop + edge, frame.height)
    right = min(columns.stop + edge, frame.width)
    part = _range_of(frame, frame.data[top:bottom, left:right], top, left)
    out = interpolated(part, laid_out(frame.pattern, top, left, part.shape), edge)
    return out[:, rows.start - top : rows.stop - top, columns.start - left : columns.stop - left]


def _halved(frame: RawFrame) -> Pixels:
    """Return a frame at half its size: the means of each colour in two by two pixels."""
    rows, columns = frame.height // 2 * 2, frame.width // 2 * 2
    if frame.data.ndim == 3:
        return _half(_range_of(frame, frame.data[:, :rows, :columns]))
    part = _range_of(frame, frame.data[:rows, :columns])
    if not frame.is_mosaic:
        half = _half(part[None])
        return np.broadcast_to(half, (3, *half.shape[1:])).copy()
    out = np.zeros((3, rows // 2, columns // 2), np.float32)
    count = np.zeros(out.shape, np.float32)
    colour = laid_out(frame.pattern, 0, 0, part.shape)
    for y in (0, 1):
        for x in (0, 1):
            value, of = part[y::2, x::2], colour[y::2, x::2]
            for c in range(3):
                mine = of == c
                out[c] += np.where(mine, value, np.float32(0.0))
                count[c] += mine
    for c in range(3):
        if (count[c] == 0).any():  # a pattern wider than two: from the neighbours
            weight = convolve(count[c], NEAR, mode="mirror")
            out[c] = convolve(out[c], NEAR, mode="mirror") / np.maximum(weight, np.float32(1e-6))
        else:
            out[c] /= count[c]
    return out


def _half(planes: Pixels) -> Pixels:
    rows, columns = (n // 2 * 2 for n in planes.shape[1:])
    cut = planes[:, :rows, :columns]
    out = cut[:, ::2, ::2] + cut[:, 1::2, ::2]
    out += cut[:, ::2, 1::2]
    out += cut[:, 1::2, 1::2]
    out *= np.float32(0.25)
    return np.asarray(out, np.float32)


def _range_of(frame: RawFrame, data: NDArray[np.generic], top: int = 0, left: int = 0) -> Pixels:
    """Return values as a part of the range from black to white."""
    if data.ndim == 3:
        black = np.asarray(frame.black, np.float32)[:, None, None]
    else:
        black = np.asarray(laid_out(frame.black, top, left, data.shape), np.float32)
    span = np.maximum(np.float32(frame.white) - black, np.float32(1e-6))
    out = data.astype(np.float32)
    out -= black
    out /= span
    return np.clip(np.nan_to_num(out, copy=False), -0.5, 1.5, out=out)
