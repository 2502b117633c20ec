"""TIFF and FITS frames: monochrome, RGB, or a mosaic by FITS keywords.

They are taken as linear unless a TIFF says that it is encoded for a display; then that is undone.
"""

import warnings
from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import prod
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning
from numpy.typing import NDArray

from limbward.camera.axes import require_axes
from limbward.camera.claims import check_claim, packed_headers
from limbward.camera.display import display_curve, to_light
from limbward.camera.frame import FULL_SCALE, RawFrame, UnreadableFrame, linear_frame

WHITE_LEVEL = 50717  # of DNG; other linear TIFFs state it, too
UNIT_TOP = 2.0  # numbers from 0 to 1 overshoot where they were sharpened; no ADU are so few
MOST_BLACK = 0.2  # of the white level; a pedestal is a few percent
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
            axes = str(page.axes)
            _check_tiff(path, page)
            if page.photometric in (3, 5, 6):  # palette, CMYK, YCbCr
                raise UnreadableFrame(
                    f"{path.name} is {page.photometric.name} TIFF; save it as grey or RGB."
                )
            white = page.tags.valueof(WHITE_LEVEL)
            display = display_curve(page)
            data = page.asarray()
    except (UnreadableFrame, MemoryError):
        raise
    except Exception as error:  # tifffile meets damaged files with exceptions of any kind
        raise UnreadableFrame(f"{path.name} cannot be read as TIFF ({error}).") from error
    if axes.endswith("S") and data.ndim == 3:
        data = np.moveaxis(data, -1, 0)
    data = _planes(path, data)
    if display is not None:
        encoding, curve = display
        return replace(linear_frame(*to_light(data, curve)), encoding=encoding)
    stated = _stated_white(white if isinstance(white, tuple) else [white])
    pixels, level = _on_scale(path, data, stated)
    return linear_frame(pixels, level)


def _check_tiff(path: Path, page: Any) -> None:
    """Raise if a page cannot hold what it declares, or unpacks to what no photograph does."""
    rows, columns = int(page.imagelength), int(page.imagewidth)
    packed = page.compression != 1
    bits = int(page.bitspersample) if not packed else 8 * (page.dtype.itemsize if page.dtype else 1)
    width = int(page.samplesperpixel) * bits / 8
    check_claim(path, rows * columns * int(page.imagedepth), width, packed=packed)
    if page.is_tiled:  # tiles stick out beyond the edges, and each is unpacked whole
        tile = int(page.tilelength) * int(page.tilewidth) * int(page.tiledepth)
        check_claim(path, tile, width, packed=packed)


def read_fits(path: Path) -> RawFrame:
    """Read the first image of a FITS file; see `limbward.camera.raw.read_raw`.

    Raises
    ------
    UnreadableFrame
        If it is damaged, or holds neither a plane nor three.

    Notes
    -----
    BAYERPAT, XBAYROFF, YBAYROFF (the colour mosaic), ROWORDER and PEDESTAL (the black level) are
    keywords in common use beyond the FITS standard. The first row is the top one, unless ROWORDER
    says otherwise.
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
    # By the standard DATAMAX may be just the highest value there is.
    highest = header.get("DATAMAX")
    clips = isinstance(highest, int | float) and bool(np.all(~(data >= highest)))
    stated = _stated_white([header.get("SATURATE"), highest if clips else None])
    pixels, white = _on_scale(path, data, stated)
    frame = linear_frame(pixels, white, pattern)
    black = _pedestal(header, white) if pixels.dtype == np.uint16 else 0.0
    if black > 0.0:
        frame = replace(frame, black=np.full_like(frame.black, black))
    return _flipped(frame) if str(header.get("ROWORDER", "")).upper() == "BOTTOM-UP" else frame


def _pedestal(header: Mapping[str, Any], white: float) -> float:
    """Return the black level that a header states: what PEDESTAL says is to be added, or was."""
    stated = header.get("PEDESTAL")
    if not isinstance(stated, int | float) or isinstance(stated, bool):
        return 0.0
    return abs(float(stated)) if abs(stated) < MOST_BLACK * white else 0.0


def _first_image(path: Path) -> tuple[NDArray[Any], dict[str, Any]]:
    require_axes(path)
    for _ in packed_headers(path):
        pass  # each is asked whether its data can be in the file
    with fits.open(path, mode="readonly", memmap=False) as hdus:
        images = (h for h in hdus if h.is_image and h.header.get("NAXIS", 0) >= 2)
        image = next(images, None)  # those after it are not looked for, which takes reading
        if image is None:
            raise UnreadableFrame(f"{path.name} holds no image.")
        rows, columns = image.shape[-2:]
        planes = prod(int(n) for n in image.shape[:-2])
        depth = abs(int(image.header["BITPIX"])) / 8
        packed = path.suffix.lower() in (".gz", ".fz") or isinstance(image, fits.CompImageHDU)
        check_claim(path, rows * columns, planes * depth, packed=packed)
        return np.asarray(image.data), dict(image.header)


def _planes(path: Path, data: NDArray[Any]) -> NDArray[Any]:
    """Return (H, W) or (3, H, W); an alpha plane and axes of length 1 are dropped."""
    while data.ndim > 2 and data.shape[0] == 1:
        data = data[0]
    if data.ndim == 3 and data.shape[0] in (2, 4):
        data = data[:3] if data.shape[0] == 4 else data[0]
    if data.ndim not in (2, 3) or (data.ndim == 3 and data.shape[0] != 3) or data.size == 0:
        raise UnreadableFrame(
            f"{path.name} has the shape {data.shape}; it should have one plane or three."
        )
    return data


def _on_scale(path: Path, data: NDArray[Any], stated: float | None) -> tuple[Pixels, float]:
    """Return the values in ADU and their saturation level.

    Whole numbers of up to 16 bits stay what they are. Numbers from 0 to 1, and those of 32 bits
    that use more than 16, are brought to `FULL_SCALE`, so that an ADU means about the same in every
    frame. Values that are infinite count as missing.

    Parameters
    ----------
    path : Path
    data : ndarray of numbers
    stated : float or None
        Saturation level by the file. It is taken at its word unless the data are from 0 to 1 and
        it is not: programs that normalise a frame leave its header as it was.
    """
    kind, size = data.dtype.kind, data.dtype.itemsize
    if kind == "u" and size <= 2:
        largest = float(np.iinfo(data.dtype).max)
        whole = np.ascontiguousarray(data, dtype=np.uint16)
        return whole, stated or _pile(data, float(data.max()), CONVERTER_BITS) or largest
    if kind not in "iuf":
        raise UnreadableFrame(
            f"{path.name} holds {data.dtype} values; integers or floats are needed."
        )
    with np.errstate(over="ignore"):  # to infinity, which is seen to below
        values = np.array(data, np.float32, order="C")
    finite = np.isfinite(values)
    values[~finite] = np.nan
    top = float(np.max(values, where=finite, initial=0.0))
    if kind == "f":
        scale = FULL_SCALE if top <= UNIT_TOP else 1.0
        largest = max(FULL_SCALE, top * scale)
    else:
        limit = float(np.iinfo(data.dtype).max)
        scale = FULL_SCALE / limit if top > FULL_SCALE else 1.0
        largest = min(limit, FULL_SCALE)
    if scale != 1.0:
        values *= np.float32(scale)
        if stated is not None and not (kind == "f" and stated > UNIT_TOP):
            return values, stated * scale
        return values, FULL_SCALE
    bits = (8, *CONVERTER_BITS) if kind == "f" else CONVERTER_BITS
    return values, stated or _pile(values, top, bits) or largest


def _pile(data: NDArray[Any], top: float, bits: Iterable[int]) -> float | None:
    """Return the highest value if it is the clipping level of a converter of so many bits.

    A 12-bit converter behind 16-bit numbers clips at 4095, where its saturated pixels pile up.
    """
    if data.dtype.itemsize == 1 or top not in [2.0**n - 1 for n in bits]:
        return None
    return top if np.count_nonzero(data == top) >= PILE else None


def _stated_white(values: Iterable[object]) -> float | None:
    """Return the first of these that can be a saturation level."""
    for value in values:
        if not isinstance(value, int | float) or isinstance(value, bool):
            continue
        if 0.0 < value < float(np.finfo(np.float32).max):
            return float(value)
    return None


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
