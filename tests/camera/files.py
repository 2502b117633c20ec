"""Small files as cameras write them, for the tests of the camera room."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from limbward.camera.frame import RawFrame
from limbward.simulate.dng import ExposureTags, RawLayout, write_dng

BAYER = {
    "RGGB": [[0, 1], [1, 2]],
    "BGGR": [[2, 1], [1, 0]],
    "GRBG": [[1, 0], [2, 1]],
    "GBRG": [[1, 2], [0, 1]],
}
# A 6 x 6 pattern as cameras have them: 20 greens, 8 reds, 8 blues, every colour in every row.
SIX = [
    [1, 2, 0, 1, 0, 2],
    [0, 1, 1, 2, 1, 1],
    [2, 1, 1, 0, 1, 1],
    [1, 0, 2, 1, 2, 0],
    [2, 1, 1, 0, 1, 1],
    [0, 1, 1, 2, 1, 1],
]
# CIE XYZ to camera RGB of an invented sensor.
MATRIX = np.array([[0.9, -0.3, -0.1], [-0.4, 1.2, 0.2], [-0.05, 0.15, 0.6]])
TAGS = ExposureTags(
    make="Invented",
    model="Model One",
    serial="SN42",
    time_camera=datetime(2026, 8, 12, 17, 45, 30),
    exposure_s=1 / 500,
    f_number=8.0,
    focal_length_mm=600.0,
    iso=200,
    pixel_pitch_um=3.76,
)


def dng(
    path: Path,
    mosaic: NDArray[np.uint16],
    *,
    pattern: ArrayLike = BAYER["RGGB"],
    black: ArrayLike | float = 512.0,
    white: int = 15800,
    margins: tuple[int, int, int, int] = (0, 0, 0, 0),
    **tags: Any,
) -> Path:
    """Write a DNG file and return its path."""
    tile = np.asarray(pattern, np.int64)
    level = np.broadcast_to(np.asarray(black, np.float64), tile.shape)
    layout = RawLayout(tile, level, white, MATRIX, np.array([0.5, 1.0, 0.7]), margins)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_dng(path, mosaic, layout, replace(TAGS, **tags))
    return path


def noise(shape: tuple[int, int], seed: int = 1) -> NDArray[np.uint16]:
    """Return pixels of which no two neighbours are alike."""
    return np.random.default_rng(seed).integers(600, 15000, shape).astype(np.uint16)


def frame(
    data: NDArray[Any],
    pattern: ArrayLike = BAYER["RGGB"],
    black: ArrayLike | float = 0.0,
    white: float = 16000.0,
) -> RawFrame:
    """Return a mosaic in memory."""
    tile = np.asarray(pattern, np.int8)
    level = np.broadcast_to(np.asarray(black, np.float32), tile.shape).copy()
    return RawFrame(data, tile, level, white, np.ones(3, np.float32), np.eye(3, dtype=np.float32))


def repeat(tile: ArrayLike, shape: tuple[int, int]) -> NDArray[Any]:
    """Return a tile laid out over an image."""
    tile = np.asarray(tile)
    y, x = np.mgrid[: shape[0], : shape[1]]
    return tile[y % tile.shape[0], x % tile.shape[1]]


def jpeg(
    path: Path,
    exif: dict[int, Any] | None = None,
    image: dict[int, Any] | None = None,
    gps: dict[int, Any] | None = None,
) -> Path:
    """Write a JPEG with the given tags in its Exif, zeroth and GPS directories."""
    tags = Image.Exif()
    for tag, value in (image or {}).items():
        tags[tag] = value
    for number, values in ((0x8769, exif), (0x8825, gps)):
        if values:
            tags.get_ifd(number).update(values)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", (16, 12), (90, 90, 90)).save(path, "JPEG", exif=tags)
    return path


def ratio(numerator: int, denominator: int) -> IFDRational:
    """Return a TIFF rational."""
    return IFDRational(numerator, denominator)
