"""DNG frames that LibRaw cannot decode, by their tags: those in JPEG XL (DNG 1.7)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from limbward.camera.claims import MOST_LOSSY, check_claim
from limbward.camera.dng import CFA, raw_page
from limbward.camera.frame import BLUE, GREEN, RED, RawFrame, UnreadableFrame, camera_to_srgb

CFA_DIM, CFA_PATTERN = 33421, 33422
BLACK_LEVEL_DIM, BLACK_LEVEL, WHITE_LEVEL, LINEARIZATION = 50713, 50714, 50717, 50712
ACTIVE_AREA, ROW_INTERLEAVE, COLUMN_INTERLEAVE = 50829, 50975, 52547
MATRICES = ((50721, 50778), (50722, 50779))  # ColorMatrix and the illuminant that it is for
D65 = 21  # LightSource of Exif
WHITE_D65 = np.array([0.9505, 1.0, 1.0890])  # XYZ, IEC 61966-2-1


def read_jpeg_xl(path: Path) -> RawFrame:
    """Decode a DNG whose pixels are in JPEG XL; see `limbward.camera.raw.read_raw`.

    Raises
    ------
    UnreadableFrame
        With what to do, if the library for JPEG XL is not installed, or the pixels are damaged.
    """
    try:
        with tifffile.TiffFile(path) as tiff:
            page = raw_page(tiff)
            if page is None:
                raise UnreadableFrame(f"{path.name} holds no RAW image.")
            pixels = int(page.imagelength) * int(page.imagewidth)
            width = int(page.samplesperpixel) * (page.dtype.itemsize if page.dtype else 2)
            check_claim(path, pixels, width, ratio=MOST_LOSSY)
            data = page.asarray(maxworkers=1)
            return _frame(path, page.tags, tiff.pages[0].tags, data)
    except (UnreadableFrame, MemoryError, FileNotFoundError, PermissionError):
        raise
    except Exception as error:  # tifffile meets damaged files with exceptions of any kind
        if "imagecodecs" in str(error):
            raise UnreadableFrame(
                f"{path.name} cannot be decoded: its pixels are in JPEG XL. Install the library "
                "that reads it with `pip install limbward[jxl]`, or convert the file to a DNG "
                "with lossless JPEG compression."
            ) from error
        raise UnreadableFrame(
            f"{path.name} cannot be decoded as JPEG XL ({error}); copy it again from the card, if "
            "it is good there."
        ) from error


def _frame(path: Path, tags: Any, first: Any, data: NDArray[Any]) -> RawFrame:
    mosaic = tags.valueof(262) == CFA
    if data.ndim == 3 and not mosaic:
        data = np.moveaxis(data[..., :3], -1, 0)
    if data.ndim != (2 if mosaic else 3) or data.dtype.kind not in "uf":
        raise UnreadableFrame(f"{path.name} has pixels of the shape {data.shape}, {data.dtype}.")
    for tag, axis in ((ROW_INTERLEAVE, -2), (COLUMN_INTERLEAVE, -1)):
        data = _woven(data, int(tags.valueof(tag) or 1), axis)
    active = tags.valueof(ACTIVE_AREA)
    if active is not None:
        top, left, bottom, right = (int(n) for n in active)
        data = data[..., top:bottom, left:right]
    table = tags.valueof(LINEARIZATION)
    if table is not None and data.dtype.kind == "u":
        curve = np.asarray(table, np.uint16)
        data = curve[np.minimum(data, curve.size - 1)]
    whole = np.uint16 if data.dtype.kind == "u" else np.float32
    data = np.ascontiguousarray(data, whole)
    top_value = 2.0**16 - 1 if data.dtype == np.uint16 else 1.0
    white = float(min(np.atleast_1d(tags.valueof(WHITE_LEVEL) or top_value)))
    pattern = _pattern(path, tags) if mosaic else np.empty((0, 0), np.int8)
    black = _black(tags, pattern, mosaic)
    daylight, to_srgb = _colours(first)
    return RawFrame(data, pattern, black, white, daylight, to_srgb)


def _woven(data: NDArray[Any], factor: int, axis: int) -> NDArray[Any]:
    """Return rows (or columns) in order that are stored field after field.

    Digital Negative Specification 1.7.1, RowInterleaveFactor and ColumnInterleaveFactor.
    """
    length = data.shape[axis]
    if factor <= 1 or factor > length:
        return data
    order = np.concatenate([np.arange(start, length, factor) for start in range(factor)])
    place = np.empty(length, np.int64)
    place[order] = np.arange(length)
    return np.take(data, place, axis)


def _pattern(path: Path, tags: Any) -> NDArray[np.int8]:
    shape = tuple(int(n) for n in tags.valueof(CFA_DIM) or (2, 2))
    colours = np.frombuffer(bytes(tags.valueof(CFA_PATTERN) or b""), np.uint8)
    if colours.size != shape[0] * shape[1] or not set(colours.tolist()) <= {RED, GREEN, BLUE}:
        raise UnreadableFrame(f"{path.name} has a colour mosaic other than red, green and blue.")
    return colours.astype(np.int8).reshape(shape)


def _black(tags: Any, pattern: NDArray[np.int8], mosaic: bool) -> NDArray[np.float32]:
    level = tags.valueof(BLACK_LEVEL)
    shape = tuple(int(n) for n in tags.valueof(BLACK_LEVEL_DIM) or (1, 1))
    count = shape[0] * shape[1] * (1 if mosaic else 3)
    numbers = np.zeros(1) if level is None else np.atleast_1d(np.asarray(level, np.float64))
    if numbers.size == 2 * count:  # tifffile gives rationals as numerator, denominator
        numbers = numbers[0::2] / numbers[1::2]
    if numbers.size != count:
        numbers = np.full(count, numbers[0])
    if not mosaic:
        return numbers.reshape(-1, 3).mean(axis=0).astype(np.float32)
    tile = numbers.reshape(shape)
    lengths = [np.lcm(a, b) for a, b in zip(shape, pattern.shape, strict=True)]
    wide = np.tile(tile, [n // m for n, m in zip(lengths, shape, strict=True)])
    return wide[: pattern.shape[0], : pattern.shape[1]].astype(np.float32)


def _colours(tags: Any) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return daylight multipliers and the matrix to sRGB, by the colour matrix for D65 if given."""
    best: NDArray[np.float64] | None = None
    for matrix, illuminant in MATRICES:
        value = tags.valueof(matrix)
        if value is None or len(value) != 18:
            continue
        numbers = np.asarray(value, np.float64)
        found = (numbers[0::2] / np.where(numbers[1::2] == 0, 1, numbers[1::2])).reshape(3, 3)
        if best is None or tags.valueof(illuminant) == D65:
            best = found
    if best is None:
        return np.ones(3, np.float32), np.eye(3, dtype=np.float32)
    neutral = best @ WHITE_D65
    if np.any(neutral <= 0):
        return np.ones(3, np.float32), np.eye(3, dtype=np.float32)
    return np.asarray(neutral[1] / neutral, np.float32), camera_to_srgb(best)
