"""Master darks, biases and flats, hot pixels, and which master belongs to a frame."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame
from limbward.camera.raw import read_raw
from limbward.compiled import kernel
from limbward.errors import LimbwardError
from limbward.radiance.scratch import Room, by_rows, let_go, room_on_disk

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]

CLIP_SIGMA = 4.0  # 6e-5 of normal values are lost; a cosmic ray or a passing satellite is not kept
HOT_SIGMA = 8.0
EXPOSURE_RATIO = 1.1  # darks of an exposure within a tenth are as good as the same
BAND_BYTES = 64 << 20  # of the stack held in memory at once


@dataclass(frozen=True)
class Setting:
    """What a dark must share with the frame it is taken off."""

    camera: str
    serial: str
    iso: float | None
    exposure_s: float | None


@dataclass(frozen=True)
class Master:
    """A combined calibration frame.

    Attributes
    ----------
    image : ndarray of float32
        Of the shape of a frame's data. Dark and bias: ADU, the black level included. Flat: relative
        to the median of each colour, so that its vignetting is kept and its colour is not.
    count : ndarray of uint16
        Frames that went into each pixel.
    setting : Setting
    frames : int
    """

    image: Image
    count: NDArray[np.uint16]
    setting: Setting
    frames: int


def master_dark(
    paths: Sequence[str | Path],
    setting: Setting,
    read: Callable[[Path], RawFrame] = read_raw,
    room: Room = room_on_disk,
) -> Master:
    """Combine darks, or biases, of one setting.

    Parameters
    ----------
    paths : sequence of path
    setting : Setting
        Of all of them.
    read : callable
        Decodes a file.
    room : callable
        Makes arrays, of all frames together as well; on disk by default.

    Returns
    -------
    Master

    Raises
    ------
    LimbwardError
        If there are none, one cannot be decoded, or their shapes differ.
    """
    return _combine(paths, setting, _fill, read, room)


def _fill(frame: RawFrame, out: Image) -> None:
    for rows in by_rows(frame.height, out, frame.data):
        out[..., rows, :] = frame.data[..., rows, :]


def master_flat(
    paths: Sequence[str | Path],
    setting: Setting,
    dark: Master | None = None,
    read: Callable[[Path], RawFrame] = read_raw,
    room: Room = room_on_disk,
) -> Master:
    """Combine flats; the light may differ between them.

    Parameters
    ----------
    paths : sequence of path
    setting : Setting
    dark : Master, optional
        Dark or bias to take off; without one, the black level of each file is.
    read : callable
        Decodes a file.
    room : callable
        Makes arrays, of all frames together as well; on disk by default.

    Returns
    -------
    Master
        Divide a frame above black by it.

    Raises
    ------
    LimbwardError
        As `master_dark`, and if a flat is dark.
    """

    def relative(frame: RawFrame, out: Image) -> None:
        if dark is not None and dark.image.shape != frame.data.shape:
            raise LimbwardError("The flats and their dark have different sizes.")
        image = None if dark is None else dark.image
        for rows in by_rows(frame.height, out, image, frame.data):
            level = _black_rows(frame, rows) if image is None else image[..., rows, :]
            out[..., rows, :] = frame.data[..., rows, :].astype(np.float32) - level
        for plane in colour_planes(out, frame.pattern):
            middle = float(np.median(plane))
            if middle <= 0:
                raise LimbwardError("A flat is black; leave it out of the flats.")
            plane /= np.float32(middle)
            let_go(out)

    return _combine(paths, setting, relative, read, room)


def hot_pixels(dark: Master, pattern: NDArray[np.int8]) -> Mask:
    """Return the pixels of a master dark that stand out from others of their colour.

    Parameters
    ----------
    dark : Master
    pattern : ndarray, shape (ph, pw)

    Returns
    -------
    ndarray of bool
        Of the shape of the master.
    """
    hot = np.zeros(dark.image.shape, bool)
    planes = zip(colour_planes(dark.image, pattern), colour_planes(hot, pattern), strict=True)
    for values, mask in planes:
        middle = np.median(values)
        spread = max(float(np.median(np.abs(values - middle))) * 1.4826, 0.5)
        mask[...] = values > middle + HOT_SIGMA * spread
    return hot


def best_match(setting: Setting, masters: Sequence[Master]) -> Master | None:
    """Return the master dark for a frame: same body, same ISO, exposure within a tenth.

    Of several, the one of the nearest exposure; None if there is none.
    """
    if setting.exposure_s is None:
        return None
    best, least = None, log(EXPOSURE_RATIO) + 1e-9
    for master in masters:
        other = master.setting
        same = (other.camera, other.serial, other.iso) == (
            setting.camera,
            setting.serial,
            setting.iso,
        )
        if not same or not other.exposure_s:
            continue
        distance = abs(log(other.exposure_s / setting.exposure_s))
        if distance < least:
            best, least = master, distance
    return best


def black_image(frame: RawFrame) -> Image:
    """Return the black level of each sample of a frame, ADU."""
    return _black_rows(frame, slice(0, frame.height))


def _black_rows(frame: RawFrame, rows: slice) -> Image:
    if frame.data.ndim == 3:
        return np.broadcast_to(frame.black[:, None, None], frame.data[:, rows].shape)
    ph, pw = frame.black.shape
    y, x = np.arange(frame.height)[rows] % ph, np.arange(frame.width) % pw
    return frame.black[np.ix_(y, x)]


def blacks_of(frame: RawFrame) -> list[float]:
    """Return the black level of the first sample of each of `colour_planes`, ADU."""
    if frame.data.ndim == 3:
        return [float(level) for level in frame.black]
    ph, pw = frame.pattern.shape
    th, tw = frame.black.shape
    return [float(frame.black[y % th, x % tw]) for y in range(ph) for x in range(pw)]


def colour_planes(image: NDArray[Any], pattern: NDArray[np.int8]) -> list[NDArray[Any]]:
    """Return a view of an image for each position of its mosaic, or each plane of RGB."""
    if image.ndim == 3:
        return [image[c] for c in range(image.shape[0])]
    ph, pw = pattern.shape
    return [image[y::ph, x::pw] for y in range(ph) for x in range(pw)]


def clipped_mean(stack: Image, sigma: float = CLIP_SIGMA) -> tuple[Image, NDArray[np.uint16]]:
    """Return the mean along the first axis without outliers, and how many values it took.

    Parameters
    ----------
    stack : ndarray of float32, shape (N, ...)
    sigma : float
        Values further than this from the median, in standard deviations, are left out. The
        deviation is estimated from the median absolute deviation, which one outlier among few
        frames does not spoil; with fewer than 4 frames nothing is left out.
    """
    flat = np.ascontiguousarray(stack.reshape(stack.shape[0], -1))
    mean = np.empty(flat.shape[1], np.float32)
    count = np.empty(flat.shape[1], np.uint16)
    _clipped(flat, sigma, mean, count)
    return mean.reshape(stack.shape[1:]), count.reshape(stack.shape[1:])


def _combine(
    paths: Sequence[str | Path],
    setting: Setting,
    fill: Callable[[RawFrame, Image], None],
    read: Callable[[Path], RawFrame],
    room: Room,
) -> Master:
    """Average frames pixel by pixel, holding one band of all of them in memory.

    ``fill`` writes what counts of a frame into an array of its shape.
    """
    if not paths:
        raise LimbwardError("There are no frames to combine.")
    stack: Image | None = None
    for k, path in enumerate(paths):
        frame = read(Path(path))
        if stack is None:
            stack = room((len(paths), *frame.data.shape), np.float32)
        if frame.data.shape != stack.shape[1:]:
            raise LimbwardError(
                f"{Path(path).name} differs in size from the frames it is combined with."
            )
        fill(frame, stack[k])
        let_go(stack, frame.data)
    assert stack is not None
    mean, count = room(stack.shape[1:], np.float32), room(stack.shape[1:], np.uint16)
    height, width = stack.shape[-2:]
    rows = max(1, BAND_BYTES // (4 * len(paths) * width))
    for part in by_rows(height, stack, mean, count, rows=rows):
        mean[..., part, :], count[..., part, :] = clipped_mean(stack[..., part, :])
    return Master(mean, count, setting, len(paths))


def _clipped_loop(stack: Image, sigma: float, mean: Image, count: NDArray[np.uint16]) -> None:
    """Fill mean and count of each column."""
    n, size = stack.shape
    values = np.empty(n, np.float32)
    for i in range(size):
        for k in range(n):
            values[k] = stack[k, i]
        middle = np.median(values)
        limit = np.inf
        if n >= 4:
            # The MAD of few values scatters; half an ADU keeps a pixel that never varies whole.
            limit = sigma * 1.4826 * max(np.median(np.abs(values - middle)), 1e-3 * abs(middle))
        total, used = 0.0, 0
        for k in range(n):
            if abs(values[k] - middle) <= limit:
                total += values[k]
                used += 1
        mean[i] = total / used if used else middle
        count[i] = used


_clipped: Callable[..., None] = kernel(_clipped_loop)
