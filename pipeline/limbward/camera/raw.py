"""Decoding frames: RAW files through LibRaw, others as images that are linear or made so."""

import logging
from dataclasses import replace
from math import lcm
from pathlib import Path
from typing import Any

import numpy as np
import rawpy
import tifffile
from numpy.typing import NDArray

from limbward.camera.card import kind_of
from limbward.camera.claims import check_claim
from limbward.camera.dng import check_dng, with_corrections
from limbward.camera.dng_pixels import read_jpeg_xl
from limbward.camera.frame import (
    BLUE,
    GREEN,
    RED,
    RawFrame,
    UnreadableFrame,
    camera_to_srgb,
    linear_frame,
)
from limbward.camera.heif import read_heif
from limbward.camera.jpeg import read_jpeg
from limbward.camera.linear import read_fits, read_tiff

__all__ = ["RawFrame", "UnreadableFrame", "decode_raw", "read_raw"]

LIBRAW_BYTES = 2  # a photosite
TILE = 48  # a multiple of every colour pattern LibRaw knows: 2, 4, 6, 8 and 16 pixels
MOSAICS = ((2, 2), (6, 6), (16, 16))  # all there are of red, green and blue
SECOND_GREEN = 3
CFA_PHOTOMETRIC = 32803
PHOTOMETRIC, CFA_PATTERN = 262, 33422
BLACK_LEVEL_DIM, BLACK_LEVEL, ACTIVE_AREA = 50713, 50714, 50829

# tifffile tells of damaged tags by logging; what matters of them becomes a sentence of ours.
logging.getLogger("tifffile").setLevel(logging.CRITICAL)


def read_raw(path: str | Path) -> RawFrame:
    """Decode a RAW, TIFF, FITS or JPEG file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    RawFrame

    Raises
    ------
    UnreadableFrame
        With a sentence that says why, if the file cannot be decoded.
    MemoryError
        If there is too little memory, which may say nothing about the file.
    """
    path = Path(path)
    kind = kind_of(path.name)
    readers = {"raw": decode_raw, "tiff": read_tiff, "fits": read_fits, "jpeg": read_jpeg}
    readers["heif"] = read_heif
    if kind not in readers:
        raise UnreadableFrame(f"{path.name} is not a RAW, TIFF, FITS, JPEG or HEIF file.")
    try:
        if path.stat().st_size == 0:
            raise UnreadableFrame(f"{path.name} is empty; copy it from the card again.")
        return readers[kind](path)
    except OSError as error:
        reason = error.strerror or str(error)
        raise UnreadableFrame(f"{path.name} cannot be read ({reason}).") from error


def samples_declared(path: Path) -> int:
    """Return how many values a frame has by its header, without decoding it.

    Of files that are no RAW files it is a guess by their size, as if they were not compressed.
    """
    if kind_of(path.name) == "raw":
        with rawpy.RawPy() as raw:
            try:
                raw.open_file(str(path))
                return int(raw.sizes.raw_height * raw.sizes.raw_width)
            except (rawpy.LibRawError, UnicodeEncodeError, RuntimeError):
                pass  # decoding says what is wrong with it
    return path.stat().st_size // LIBRAW_BYTES


def decode_raw(path: Path) -> RawFrame:
    """Decode a RAW file through LibRaw; see `read_raw`."""
    with path.open("rb"):
        pass  # the system's reason for a file that cannot be opened is better than LibRaw's
    if path.suffix.lower() == ".dng" and check_dng(path):
        return with_corrections(path, read_jpeg_xl(path), None)
    with rawpy.RawPy() as raw:
        try:
            # By name: from a buffer it takes a quarter longer and the file's size in memory.
            raw.open_file(str(path))
            check_claim(path, raw.sizes.raw_height * raw.sizes.raw_width, LIBRAW_BYTES)
            raw.unpack()
            frame = _frame(path, raw)
            if path.suffix.lower() != ".dng":
                return frame
            return with_corrections(path, frame, (raw.sizes.top_margin, raw.sizes.left_margin))
        except rawpy.LibRawUnsufficientMemoryError as error:
            raise MemoryError(f"{path.name} needs more memory than there is") from error
        except rawpy.LibRawError as error:
            raise UnreadableFrame(
                f"{path.name} cannot be decoded (LibRaw: {_reason(error)}); copy it again from the "
                "card, if it is good there."
            ) from error
        except UnicodeEncodeError as error:
            raise UnreadableFrame(f"The path of {path.name} is not valid Unicode.") from error
        except (RuntimeError, NotImplementedError) as error:
            raise UnreadableFrame(
                f"{path.name} holds a kind of RAW data that is not supported ({error})."
            ) from error


def _reason(error: Exception) -> str:
    reason = error.args[0] if error.args else type(error).__name__
    return reason.decode("utf-8", "replace") if isinstance(reason, bytes) else str(reason)


def _frame(path: Path, raw: rawpy.RawPy) -> RawFrame:
    visible = raw.raw_image_visible
    if visible.size == 0:
        raise UnreadableFrame(f"{path.name} holds no pixels.")
    channel_black = np.array(raw.black_level_per_channel, np.float32)
    if visible.ndim == 3:
        data = np.ascontiguousarray(np.moveaxis(visible[..., :3], -1, 0))
        pattern, black = np.empty((0, 0), np.int8), channel_black[:3]
    else:
        data = visible.copy()
        colours = _colour_tile(path, raw)
        if colours.size == 1:
            colours = np.array([[GREEN]])
        black = channel_black[colours]
        pattern = np.where(colours == SECOND_GREEN, GREEN, colours).astype(np.int8)
        stated = _stated_black(path, raw.sizes.top_margin, raw.sizes.left_margin)
        if stated is not None:
            shape = tuple(lcm(a, b) for a, b in zip(pattern.shape, stated.shape, strict=True))
            pattern, black = _repeat(pattern, shape), _repeat(stated, shape)
        if colours.size == 1:
            return replace(linear_frame(data, _white(raw), pattern), black=black)
    return RawFrame(data, pattern, black, _white(raw), _daylight(raw), _to_srgb(raw))


def _colour_tile(path: Path, raw: rawpy.RawPy) -> NDArray[np.int64]:
    """Return the smallest repeating tile of LibRaw's colour indices, from the visible corner.

    Asked pixel by pixel inside the visible area, since LibRaw's pattern is laid out from there and
    is not defined for the margins of every sensor.
    """
    top, left = raw.sizes.top_margin, raw.sizes.left_margin
    block = np.array(
        [[raw.raw_color(top + y, left + x) for x in range(TILE)] for y in range(TILE)], np.int64
    )
    # Some monochrome cameras say that all filters are green; LibRaw may also make that up.
    if raw.num_colors == 1 or (np.all(block == GREEN) and _states_one_colour(path)):
        return block[:1, :1]
    letters = raw.color_desc.decode("latin-1")
    if not set(letters[i] for i in np.unique(block)) <= set("RGB") or letters[:3] != "RGB":
        raise UnreadableFrame(
            f"{path.name} has the colour filters {letters}; they should be red, green and blue."
        )
    tile = block[: _period(block), : _period(block.T)]
    if tile.shape not in MOSAICS or not {RED, GREEN, BLUE} <= set(tile.ravel().tolist()):
        # From a damaged tag LibRaw makes a pattern of whatever its memory held.
        raise UnreadableFrame(
            f"{path.name} has an impossible colour mosaic; its header is damaged."
        )
    return tile


def _period(block: NDArray[np.int64]) -> int:
    for n in range(1, TILE):
        if TILE % n == 0 and np.array_equal(block, np.roll(block, n, axis=0)):
            return n
    return TILE


def _repeat(tile: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Return a tile laid out over a larger one that is a multiple of it."""
    return np.tile(tile, [n // m for n, m in zip(shape, tile.shape, strict=True)])


def _stated_black(path: Path, top: int, left: int) -> NDArray[np.float32] | None:
    """Return the black levels a DNG states, from the visible corner; None if it states none.

    LibRaw rounds them to whole numbers and, where they repeat over more than 2 x 2 pixels, rawpy
    gives only the smallest. Both count: half an ADU is as much as the outer corona in short frames.
    They are laid out from the corner of the active area (DNG 1.4 specification, BlackLevel), which
    LibRaw's visible area leaves by a row or column if the active area begins at an odd one.
    """
    if path.suffix.lower() != ".dng":
        return None
    try:
        stated = _cfa_tags(path)
        tile = _black_tile(stated.get(BLACK_LEVEL_DIM), stated.get(BLACK_LEVEL))
        if tile is None:
            return None
        active = stated.get(ACTIVE_AREA) or (0, 0)
        return np.roll(tile, (int(active[0]) - top, int(active[1]) - left), (0, 1))
    except (ValueError, IndexError, KeyError, ZeroDivisionError, TypeError):
        return None  # LibRaw has read the file and rounded levels are better than none


def _states_one_colour(path: Path) -> bool:
    """Return whether the file itself gives every photosite the same filter."""
    stated = _cfa_tags(path).get(CFA_PATTERN)
    return isinstance(stated, bytes) and len(set(stated)) == 1


def _cfa_tags(path: Path) -> dict[int, Any]:
    """Return what a TIFF states of its mosaic, as far as it can be read."""
    wanted = (CFA_PATTERN, BLACK_LEVEL_DIM, BLACK_LEVEL, ACTIVE_AREA)
    try:
        with tifffile.TiffFile(path) as tiff:
            for first in tiff.pages:
                for page in [first, *(getattr(first, "pages", None) or [])]:
                    tags = getattr(page, "tags", None)
                    if tags is not None and tags.valueof(PHOTOMETRIC) == CFA_PHOTOMETRIC:
                        return {tag: tags.valueof(tag) for tag in wanted}
    except (tifffile.TiffFileError, ValueError, IndexError, KeyError, ZeroDivisionError):
        pass  # LibRaw has read the file; what cannot be read is not stated
    return {}


def _black_tile(dim: object, level: object) -> NDArray[np.float32] | None:
    if level is None:
        return None
    numbers = np.atleast_1d(np.asarray(level, np.float64))
    shape = (1, 1) if dim is None else tuple(int(n) for n in np.atleast_1d(np.asarray(dim)))
    count = shape[0] * shape[1]
    if numbers.size == 2 * count:  # tifffile gives rationals as numerator, denominator
        numbers = numbers[0::2] / numbers[1::2]
    return numbers.reshape(shape).astype(np.float32) if numbers.size == count else None


def _white(raw: rawpy.RawPy) -> float:
    """Return the saturation level, the lower of LibRaw's and the one in the file, if sensible."""
    white = float(raw.white_level)
    stated = raw.camera_white_level_per_channel
    if stated is not None and 0.5 * white < min(stated) < white:
        white = float(min(stated))
    return white


def _daylight(raw: rawpy.RawPy) -> NDArray[np.float32]:
    balance = np.array(raw.daylight_whitebalance[:3], np.float64)
    if not np.all(np.isfinite(balance)) or np.any(balance <= 0):
        return np.ones(3, np.float32)
    return np.asarray(balance / balance[1], np.float32)


def _to_srgb(raw: rawpy.RawPy) -> NDArray[np.float32]:
    to_camera = np.asarray(raw.rgb_xyz_matrix, np.float64)[:3]
    if np.any(to_camera):
        return camera_to_srgb(to_camera)
    # LibRaw knows no matrix for this model; from the one in a DNG it has made this one.
    to_srgb = np.asarray(raw.color_matrix, np.float64)[:, :3]
    rows = to_srgb.sum(axis=1, keepdims=True)
    if np.any(np.abs(rows - 1.0) > 0.02):  # not a matrix that keeps white white
        return np.eye(3, dtype=np.float32)
    return np.asarray(to_srgb / rows, np.float32)
