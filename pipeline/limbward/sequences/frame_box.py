"""A square part of a frame in linear colours, made a piece at a time."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from limbward.camera.clipping import saturated_from
from limbward.camera.frame import GREEN, RawFrame
from limbward.camera.mosaic import interpolated, laid_out
from limbward.radiance.scratch import by_rows
from limbward.sequences.rows import SAMPLES, row_offsets

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A sensor may end below the white level that its files state; its numbers pile up there.
HIGH, PILE, LEAST_PILE = 0.85, 0.01, 4


class FrameBox:
    """A square box of a frame, cut off at the frame's edges.

    Whole, its colours and what they are made of are 80 bytes a pixel; what must be known of all of
    it, where the sensor ends and what its rows are off by, is read from the frame's own numbers.

    Parameters
    ----------
    frame : RawFrame
    centre : tuple of float
    reach : int
        Pixels from the centre to the sides.

    Attributes
    ----------
    left, top, width, height : int
        Of the box, raw pixels; nothing is in a box less than two pixels wide or high.
    """

    def __init__(self, frame: RawFrame, centre: tuple[float, float], reach: int) -> None:
        self.left, self.top = (max(0, math.floor(c) - reach) for c in centre)
        self.width = min(frame.width, math.ceil(centre[0]) + reach + 1) - self.left
        self.height = min(frame.height, math.ceil(centre[1]) + reach + 1) - self.top
        self._frame = frame
        if self.empty:
            return
        box = frame.data[..., self.top : self.top + self.height, self.left :][..., : self.width]
        self._full = _saturated_from(box, frame)
        self._bayer = frame.is_mosaic and frame.pattern.shape == (2, 2)
        self._off: Pixels | None = None
        if self._bayer:
            # The pixels that tell a row's offset: of each colour every so many.
            step = 2 * max(1, self.width // 2 // SAMPLES)
            at = np.arange(self.width)
            at = at[at % step < 2]
            told = np.empty((self.height, at.size), np.float32)
            for rows in by_rows(self.height):
                level = self._level(np.asarray(box[rows], np.float32), rows.start, 0)
                told[rows] = level[:, at]
            self._off = row_offsets(told).astype(np.float32)

    @property
    def empty(self) -> bool:
        """Whether the frame has nothing of the box."""
        return self.width < 2 or self.height < 2

    def _level(self, raw: Pixels, top: int, left: int) -> Pixels:
        """Return a mosaic's numbers, from that row and column of the box on, from 0 to 1."""
        frame = self._frame
        black = laid_out(frame.black, self.top + top, self.left + left, raw.shape)
        return (raw - black) / np.float32(frame.span)

    def colours(self, top: int, left: int, height: int, width: int) -> tuple[Pixels, Mask]:
        """Return a piece of the box.

        Parameters
        ----------
        top, left, height, width : int
            Of the piece, counted from the box's own first pixel.

        Returns
        -------
        colours : ndarray of float32, shape (3, h, w)
            Linear sRGB, white-balanced for daylight; 1 is the sensor's white level. Those of a
            mosaic are interpolated, differently within 2 pixels of the piece's sides.
        clipped : ndarray of bool, shape (2, h, w)
            Saturated pixels, of any colour and of green.
        """
        frame = self._frame
        y0, x0 = self.top + top, self.left + left
        raw = np.asarray(frame.data[..., y0 : y0 + height, x0 : x0 + width], np.float32)
        clipped = np.asarray(raw >= self._full)
        green = clipped
        if frame.is_mosaic:
            pattern = laid_out(frame.pattern, y0, x0, raw.shape)
            green = clipped & (pattern == GREEN)
            level = self._level(raw, top, left)
            if self._off is not None:
                level -= self._off[top : top + height, None]
            colours = interpolated(level, pattern, 1 if self._bayer else 2)
        elif raw.ndim == 2:
            grey = (raw - frame.black.ravel()[0]) / np.float32(frame.span)
            colours = np.repeat(grey[None], 3, axis=0)
        else:
            colours = (raw - frame.black[:, None, None]) / np.float32(frame.span)
            green, clipped = clipped[1], np.asarray(clipped.any(axis=0))
        colours = np.nan_to_num(colours, copy=False)
        if frame.is_mosaic or raw.ndim == 3:
            # With the smallest multiplier 1, a clipped pixel is white in every colour at 1.
            balance = frame.daylight / frame.daylight.min()
            colours = np.minimum(colours * balance[:, None, None], np.float32(1.0))
            colours = np.tensordot(frame.to_srgb, colours, axes=1).astype(np.float32)
        return colours, np.stack([clipped, green])


def _saturated_from(box: NDArray[np.uint16] | Pixels, frame: RawFrame) -> float:
    """Return the number from which pixels of a box of a frame count as saturated.

    A bead saturates so few pixels that the whole frame shows no pile of them.
    """
    level = saturated_from(frame)
    top = float(np.nanmax(box)) if box.dtype.kind == "u" or np.isfinite(box).any() else 0.0
    if HIGH * frame.white < top < level:
        at_top = np.count_nonzero(box > (1.0 - PILE) * top)
        below = np.count_nonzero(box > (1.0 - 2.0 * PILE) * top) - at_top
        if at_top >= LEAST_PILE and at_top >= 4 * below:
            return (1.0 - PILE) * top
    return level
