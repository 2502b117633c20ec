"""A few frames together, as the merge takes them: decoded, mended, their saturation marked."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame
from limbward.radiance import taps as taps_module
from limbward.radiance.calibrate import Calibration, black_tile, mend, planes
from limbward.radiance.saturation import saturated_places

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

BATCH = 5  # frames in memory at a time: the least whose median shows an outlier


@dataclass(frozen=True)
class Limits:
    """What of a frame is left out of a merge.

    Attributes
    ----------
    ceiling : float or ndarray, shape (3,)
        Fraction of the range from black to white up to which the sensor is linear, in R, G, B.
    moon_margin_px, bloom_px : float
        Pixels beside the lunar limb and beside clipped pixels that are left out.
    white : float
        Level at which pixels are saturated, ADU, if that is below what the frame declares.
    """

    ceiling: float | Floats | Pixels = 0.9
    moon_margin_px: float = 2.0
    bloom_px: float = 1.0
    white: float = np.inf


@dataclass
class Batch:
    """Frames alike in size, filters and calibration, to be merged together.

    ``pixels`` (B, P, H, W) are raw samples, ``blocked`` (B, H, W) the bits of
    `limbward.radiance.saturation`, ``blocked_rows`` (B, H) where there may be any; the first ``n``
    hold frames, whose numbers are ``frames``.
    """

    pixels: NDArray[Any]
    blocked: NDArray[np.uint8]
    blocked_rows: NDArray[np.bool_]
    black: Pixels
    taps: taps_module.Taps
    calibration: Calibration
    frames: list[int] = field(default_factory=list)


def fits(batch: Batch, raw: RawFrame, calibration: Calibration) -> bool:
    """Return whether a frame can share a batch."""
    data = planes(raw.data)
    return (
        batch.pixels.shape[1:] == data.shape
        and batch.pixels.dtype == data.dtype
        and np.array_equal(batch.black, black_tile(raw))
        and batch.taps.pattern == taps_module.pattern_key(raw.pattern)
        and batch.calibration.dark is calibration.dark
        and batch.calibration.inverse_flat is calibration.inverse_flat
    )


def new_batch(
    old: Batch | None,
    raw: RawFrame,
    calibration: Calibration,
    known: dict[bytes, taps_module.Taps],
) -> Batch:
    """Return an empty batch for frames like one, in the memory of the old one if it fits."""
    key = taps_module.pattern_key(raw.pattern)
    if key not in known:
        known[key] = taps_module.build(raw.pattern)
    data = planes(raw.data)
    shape = (BATCH, *data.shape)
    reuse = old is not None and old.pixels.shape == shape and old.pixels.dtype == data.dtype
    if reuse and old is not None:
        pixels, blocked, rows = old.pixels, old.blocked, old.blocked_rows
    else:
        pixels = np.empty(shape, data.dtype)
        blocked = np.empty((BATCH, *data.shape[1:]), np.uint8)
        rows = np.empty((BATCH, data.shape[1]), bool)
    return Batch(pixels, blocked, rows, black_tile(raw), known[key], calibration)


def put(
    batch: Batch,
    k: int,
    raw: RawFrame,
    limits: Limits,
    hot: HotPixels,
) -> None:
    """Copy a frame into a batch, its hot pixels mended and its saturation noted."""
    n = len(batch.frames)
    pixels = batch.pixels[n]
    np.copyto(pixels, planes(raw.data))
    mask = batch.calibration.hot
    if mask is not None:
        dark = batch.calibration.dark
        flagged = planes(mask)
        mend(pixels, flagged, hot.index(mask), raw.pattern, None if dark is None else planes(dark))
    saturated_places(
        pixels,
        raw.pattern,
        float(batch.black.mean()),
        min(raw.white, limits.white),
        limits.ceiling,
        limits.bloom_px,
        batch.blocked[n],
        batch.blocked_rows[n],
    )
    batch.frames.append(k)


class HotPixels:
    """Where the pixels of the last mask seen are: searching 24 million takes 10 ms."""

    def __init__(self) -> None:
        self._mask: NDArray[np.bool_] | None = None
        self._index = np.empty(0, np.int64)

    def index(self, mask: NDArray[np.bool_]) -> NDArray[np.int64]:
        """Return the flat indices of a mask."""
        if mask is not self._mask:
            self._mask, self._index = mask, np.flatnonzero(mask)
        return self._index
