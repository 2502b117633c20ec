"""Writing DNG files: one uncompressed colour-filter mosaic with its Exif and GPS directories.

References
----------
Digital Negative Specification 1.4 (2012); TIFF Revision 6.0 (1992); CIPA DC-008 (Exif 2.32).
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import TiffTags
from PIL.TiffImagePlugin import IFDRational, ImageFileDirectory_v2

EXIF_IFD, GPS_IFD = 34665, 34853
CFA_PHOTOMETRIC = 32803
D65 = 21  # Exif LightSource code


@dataclass(frozen=True)
class ExposureTags:
    """What a camera writes into a file about one exposure.

    Attributes
    ----------
    make, model, serial : str
        Of the camera.
    time_camera : datetime
        What the camera's clock read when the exposure began, without a zone.
    exposure_s, f_number, focal_length_mm : float
        As the camera states them.
    iso : int
    pixel_pitch_um : float
        Becomes the focal-plane resolution.
    subsec_digits : int
        Digits of SubSecTimeOriginal; 0 leaves the tag out.
    offset_hours : float or None
        OffsetTimeOriginal; None leaves it out.
    orientation : int
        The Exif code, 1 to 8.
    gps : tuple or None
        Latitude, longitude (degrees), height (metres) and the UTC of the last fix.
    lens : str
        Its model; without one there is no such tag.
    """

    make: str
    model: str
    serial: str
    time_camera: datetime
    exposure_s: float
    f_number: float
    focal_length_mm: float
    iso: int
    pixel_pitch_um: float
    subsec_digits: int = 0
    offset_hours: float | None = None
    orientation: int = 1
    gps: tuple[float, float, float, datetime] | None = None
    lens: str = ""


@dataclass(frozen=True)
class RawLayout:
    """How a mosaic is to be read.

    Attributes
    ----------
    pattern : ndarray of int, shape (ph, pw)
        Colour (0 R, 1 G, 2 B) at [y % ph, x % pw] of the visible area.
    black : ndarray, shape (ph, pw)
        Black level of the same places, ADU.
    white : int
        Saturation level, ADU.
    colour_matrix : ndarray, shape (3, 3)
        CIE XYZ to camera R, G, B for daylight (D65).
    neutral : ndarray, shape (3,)
        Camera R, G, B of white, largest 1.
    margins : tuple of int
        Masked rows and columns around the visible area: top, left, bottom, right. Top and left
        must be even: LibRaw rounds an ActiveArea to whole Bayer cells.
    """

    pattern: NDArray[np.int64]
    black: NDArray[np.float64]
    white: int
    colour_matrix: NDArray[np.float64]
    neutral: NDArray[np.float64]
    margins: tuple[int, int, int, int] = (0, 0, 0, 0)


def _rational(value: float, denominator: int = 10000) -> IFDRational:
    return IFDRational(round(value * denominator), denominator)


def _exposure_rational(exposure_s: float) -> IFDRational:
    """Return 1/500 as 1/500 and 2.5 s as 25/10, as cameras do."""
    if exposure_s < 0.3:
        return IFDRational(1, round(1.0 / exposure_s))
    return IFDRational(round(exposure_s * 10), 10)


def _sexagesimal(degrees: float) -> tuple[IFDRational, IFDRational, IFDRational]:
    """Return degrees, minutes and seconds; the last digit is 0.1 arcsec, 3 m on the ground."""
    tenths = round(abs(degrees) * 36000)
    return (
        IFDRational(tenths // 36000, 1),
        IFDRational(tenths // 600 % 60, 1),
        IFDRational(tenths % 600, 10),
    )


def exif_directory(tags: ExposureTags) -> dict[int, Any]:
    """Return the Exif directory: tag numbers and values."""
    stamp = tags.time_camera.strftime("%Y:%m:%d %H:%M:%S")
    fraction = f"{tags.time_camera.microsecond:06d}"
    exif: dict[int, Any] = {
        0x829A: _exposure_rational(tags.exposure_s),
        0x829D: _rational(tags.f_number, 10),
        0x8822: 1,  # ExposureProgram: manual
        0x8827: tags.iso,
        0x9000: b"0232",
        0x9003: stamp,
        0x9004: stamp,
        0x920A: _rational(tags.focal_length_mm, 10),
        0xA20E: _rational(1e4 / tags.pixel_pitch_um, 1000),  # pixels a centimetre
        0xA20F: _rational(1e4 / tags.pixel_pitch_um, 1000),
        0xA210: 3,  # centimetre
        0xA402: 1,  # ExposureMode: manual
        0xA431: tags.serial,
    }
    if tags.subsec_digits:
        exif[0x9291] = exif[0x9292] = fraction[: tags.subsec_digits]
    if tags.lens:
        exif[0xA434] = tags.lens
    if tags.offset_hours is not None:
        minutes = round(abs(tags.offset_hours) * 60)
        sign = "-" if tags.offset_hours < 0 else "+"
        exif[0x9010] = exif[0x9011] = f"{sign}{minutes // 60:02d}:{minutes % 60:02d}"
    return exif


def gps_directory(tags: ExposureTags) -> dict[int, Any]:
    """Return the GPS directory, empty if the camera had no fix."""
    if tags.gps is None:
        return {}
    latitude, longitude, height, fix = tags.gps
    return {
        0: bytes((2, 3, 0, 0)),
        1: "N" if latitude >= 0 else "S",
        2: _sexagesimal(latitude),
        3: "E" if longitude >= 0 else "W",
        4: _sexagesimal(longitude),
        5: b"\x01" if height < 0 else b"\x00",
        6: _rational(abs(height), 10),
        7: (
            IFDRational(fix.hour, 1),
            IFDRational(fix.minute, 1),
            IFDRational(fix.second * 1000 + fix.microsecond // 1000, 1000),
        ),
        29: fix.strftime("%Y:%m:%d"),
    }


def dng_bytes(mosaic: NDArray[np.uint16], layout: RawLayout, tags: ExposureTags) -> bytes:
    """Return a DNG file.

    Parameters
    ----------
    mosaic : ndarray of uint16, shape (H, W)
        The whole sensor in ADU, masked margins included.
    layout : RawLayout
    tags : ExposureTags

    Returns
    -------
    bytes
        Little endian; the same arguments give the same bytes.
    """
    height, width = mosaic.shape
    ph, pw = layout.pattern.shape
    top, left, bottom, right = layout.margins
    ifd = ImageFileDirectory_v2(b"II*\x00\x08\x00\x00\x00")

    def put(tag: int, kind: int, value: Any) -> None:
        ifd.tagtype[tag] = kind
        ifd[tag] = value

    put(254, TiffTags.LONG, 0)  # NewSubfileType: the full-resolution image
    put(256, TiffTags.LONG, width)
    put(257, TiffTags.LONG, height)
    put(258, TiffTags.SHORT, 16)
    put(259, TiffTags.SHORT, 1)  # uncompressed
    put(262, TiffTags.SHORT, CFA_PHOTOMETRIC)
    put(271, TiffTags.ASCII, tags.make)
    put(272, TiffTags.ASCII, tags.model)
    put(273, TiffTags.LONG, 0)  # StripOffsets: counted from the end of this directory
    put(274, TiffTags.SHORT, tags.orientation)
    put(277, TiffTags.SHORT, 1)
    put(278, TiffTags.LONG, height)
    put(279, TiffTags.LONG, mosaic.nbytes)
    put(284, TiffTags.SHORT, 1)
    put(306, TiffTags.ASCII, tags.time_camera.strftime("%Y:%m:%d %H:%M:%S"))
    put(33421, TiffTags.SHORT, (ph, pw))  # CFARepeatPatternDim
    put(33422, TiffTags.BYTE, bytes(int(c) for c in layout.pattern.ravel()))
    put(50706, TiffTags.BYTE, bytes((1, 4, 0, 0)))  # DNGVersion
    put(50707, TiffTags.BYTE, bytes((1, 1, 0, 0)))  # DNGBackwardVersion
    doubled = tags.model.startswith(tags.make)
    put(50708, TiffTags.ASCII, tags.model if doubled else f"{tags.make} {tags.model}")
    put(50710, TiffTags.BYTE, bytes((0, 1, 2)))  # CFAPlaneColor
    put(50711, TiffTags.SHORT, 1)  # CFALayout: rectangular
    put(50713, TiffTags.SHORT, (ph, pw))  # BlackLevelRepeatDim
    put(50714, TiffTags.RATIONAL, tuple(_rational(b, 100) for b in layout.black.ravel()))
    put(50717, TiffTags.LONG, layout.white)
    matrix = tuple(_rational(v) for v in layout.colour_matrix.ravel())
    put(50721, TiffTags.SIGNED_RATIONAL, matrix)
    put(50728, TiffTags.RATIONAL, tuple(_rational(v) for v in layout.neutral))
    put(50778, TiffTags.SHORT, D65)
    put(50829, TiffTags.LONG, (top, left, height - bottom, width - right))  # ActiveArea
    put(EXIF_IFD, TiffTags.LONG, exif_directory(tags))
    gps = gps_directory(tags)
    if gps:
        put(GPS_IFD, TiffTags.LONG, gps)
    out = io.BytesIO()
    ifd.save(out)
    out.write(np.ascontiguousarray(mosaic, dtype="<u2").tobytes())
    return out.getvalue()


def write_dng(
    path: Path, mosaic: NDArray[np.uint16], layout: RawLayout, tags: ExposureTags
) -> None:
    """Write a DNG file; arguments as for `dng_bytes`."""
    path.write_bytes(dng_bytes(mosaic, layout, tags))
