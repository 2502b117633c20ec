"""TIFF and FITS frames, taken as linear: monochrome, RGB, or a mosaic by FITS keywords."""

import warnings
from collections.abc import Mapping
from dataclasses import replace
from math import prod
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning
from numpy.typing import NDArray

from limbward.camera.frame import RawFrame, UnreadableFrame, linear_frame

MAX_PIXELS = 400_000_000
CONVERTER_BITS = (10, 12, 14)
PILE = 16  # pixels at one level that are no coincidence of hot pixels but a clipped converter
Pixels = NDArray[np.uint16] | NDArray[np.float32]


def read_tiff(path: Path) -> RawFrame:
    """Read the first image of a TIFF file; see `limbward.camera.raw.read_raw`.

    Raises
    ------
    UnreadableFrame
        If it is damaged, or neither monochrome nor RGB.
    """
    try:
        with tifffile.TiffFile(path) as tiff:
            page = tiff.pages[0]
            shape, axes = tuple(page.shape), str(page.axes)
            if prod(shape) > 3 * MAX_PIXELS:
                raise UnreadableFrame(f"{path.name} declares {shape} pixels; it is damaged.")
            if page.photometric in (3, 5, 6):  # palette, CMYK, YCbCr
                raise UnreadableFrame(
                    f"{path.name} is {page.photometric.name} TIFF; save it as grey or RGB."
                )
            data = page.asarray()
    except (UnreadableFrame, MemoryError):
        raise
    except Exception as error:  # tifffile meets damaged files with exceptions of any kind
        raise UnreadableFrame(f"{path.name} cannot be read as TIFF ({error}).") from error
    if axes.endswith("S") and data.ndim == 3:
        data = np.moveaxis(data, -1, 0)
    data = _planes(path, data)
    return linear_frame(_pixels(path, data), _white(data, None))


def read_fits(path: Path) -> RawFrame:
    """Read the first image of a FITS file; see `limbward.camera.raw.read_raw`.

    Raises
    ------
    UnreadableFrame
        If it is damaged, or holds neither a plane nor three.

    Notes
    -----
    BAYERPAT, XBAYROFF, YBAYROFF (the colour mosaic) and ROWORDER are keywords in common use beyond
    the FITS standard. The first row is the top one, unless ROWORDER says otherwise.
    """
    try:
        with warnings.catch_warnings():
            # What astropy warns of, a file cut short among it, makes reading the data fail below.
            warnings.simplefilter("ignore", AstropyUserWarning)
            data, header = _first_image(path)
    except (UnreadableFrame, MemoryError):
        raise
    except (PermissionError, FileNotFoundError):
        raise
    except Exception as error:  # astropy meets damaged files with exceptions of any kind
        raise UnreadableFrame(f"{path.name} cannot be read as FITS ({error}).") from error
    data = _planes(path, data)
    pattern = _fits_pattern(path, header) if data.ndim == 2 else None
    frame = linear_frame(_pixels(path, data), _white(data, header), pattern)
    return _flipped(frame) if str(header.get("ROWORDER", "")).upper() == "BOTTOM-UP" else frame


def _first_image(path: Path) -> tuple[NDArray[Any], dict[str, Any]]:
    with fits.open(path, mode="readonly", memmap=False) as hdus:
        images = [h for h in hdus if h.is_image and h.header.get("NAXIS", 0) >= 2]
        if not images:
            raise UnreadableFrame(f"{path.name} holds no image.")
        shape = images[0].shape
        if prod(int(n) for n in shape) > 3 * MAX_PIXELS:
            raise UnreadableFrame(f"{path.name} declares {shape} pixels; it is damaged.")
        return np.asarray(images[0].data), dict(images[0].header)


def _planes(path: Path, data: NDArray[Any]) -> NDArray[Any]:
    """Return (H, W) or (3, H, W); an alpha plane and axes of length 1 are dropped."""
    while data.ndim > 2 and data.shape[0] == 1:
        data = data[0]
    if data.ndim == 3 and data.shape[0] in (2, 4):
        data = data[:3] if data.shape[0] == 4 else data[0]
    if data.ndim not in (2, 3) or (data.ndim == 3 and data.shape[0] != 3) or data.size == 0:
        raise UnreadableFrame(
            f"{path.name} has the shape {data.shape}; one plane or three are needed."
        )
    return data


def _pixels(path: Path, data: NDArray[Any]) -> Pixels:
    if data.dtype.kind == "u" and data.dtype.itemsize <= 2:
        return np.ascontiguousarray(data, dtype=np.uint16)
    if data.dtype.kind in "iuf":
        return np.ascontiguousarray(data, dtype=np.float32)
    raise UnreadableFrame(f"{path.name} holds {data.dtype} values; integers or floats are needed.")


def _white(data: NDArray[Any], header: Mapping[str, Any] | None) -> float:
    """Return the saturation level: as stated, or what the data show, or the largest number.

    A 12-bit converter behind 16-bit numbers clips at 4095, where its saturated pixels pile up.
    """
    stated = header.get("SATURATE") if header else None
    if isinstance(stated, int | float) and stated > 0:
        return float(stated)
    finite = data[np.isfinite(data)] if data.dtype.kind == "f" else data
    top = float(finite.max()) if finite.size else 0.0
    if data.dtype.kind == "f" and top <= 1.0:
        return 1.0
    levels = [2.0**bits - 1 for bits in CONVERTER_BITS]
    if data.dtype.itemsize > 1 and top in levels and np.count_nonzero(finite == top) >= PILE:
        return top
    return max(255.0 if data.dtype == np.uint8 else 65535.0, top)


def _fits_pattern(path: Path, header: Mapping[str, Any]) -> NDArray[np.int8] | None:
    letters = str(header.get("BAYERPAT", "")).strip().upper()
    if not letters:
        return None
    if len(letters) != 4 or set(letters) != set("RGB"):
        raise UnreadableFrame(f"{path.name} has the unknown mosaic {letters} (BAYERPAT).")
    tile = np.array(["RGB".index(c) for c in letters], np.int8).reshape(2, 2)
    shift = [-int(header.get(key, 0) or 0) for key in ("YBAYROFF", "XBAYROFF")]
    return np.roll(tile, shift, axis=(0, 1))


def _flipped(frame: RawFrame) -> RawFrame:
    """Return the frame upside down, its pattern still fitting."""
    pattern, height = frame.pattern, frame.height
    if frame.is_mosaic:
        rows = (height - 1 - np.arange(pattern.shape[0])) % pattern.shape[0]
        pattern = pattern[rows]
    return replace(frame, data=np.flip(frame.data, axis=-2).copy(), pattern=pattern)
