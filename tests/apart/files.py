"""Files as cameras and programs write them: DNG, TIFF, JPEG, FITS, with Exif."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import tifffile
from astropy.io import fits
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from .sensor import Sensor, gamma

MATRIX = (0.71, -0.19, -0.08, -0.46, 1.24, 0.25, -0.07, 0.19, 0.62)
EXIF_POINTER = 34665
PLACEHOLDER = 34666  # tifffile writes no Exif pointer of ours; this keeps the tags in order


@dataclass(frozen=True)
class Tags:
    """What the camera says of a frame."""

    make: str
    model: str
    serial: str | None
    when: str  # YYYY:MM:DD HH:MM:SS
    subsec: str | None
    offset: str | None
    exposure: float
    iso: int
    stop: float
    focal_mm: float | None


def rational(value: float) -> tuple[int, int]:
    """1/n for short exposures, tenths for long ones."""
    if 0 < value < 0.3:
        return 1, round(1 / value)
    part = Fraction(value).limit_denominator(10)
    return part.numerator, part.denominator


def exif_ifd(tags: Tags, at: int) -> bytes:
    """A little-endian Exif IFD that begins at byte ``at``."""
    entries: list[tuple[int, int, int, bytes]] = []

    def text(tag: int, value: str | None) -> None:
        if value is not None:
            raw = value.encode() + b"\0"
            entries.append((tag, 2, len(raw), raw))

    entries.append((0x829A, 5, 1, struct.pack("<II", *rational(tags.exposure))))
    entries.append((0x829D, 5, 1, struct.pack("<II", round(tags.stop * 10), 10)))
    entries.append((0x8827, 3, 1, struct.pack("<H", tags.iso)))
    entries.append((0x9000, 7, 4, b"0232"))
    text(0x9003, tags.when)
    text(0x9011, tags.offset)
    text(0x9291, tags.subsec)
    if tags.focal_mm is not None:
        entries.append((0x920A, 5, 1, struct.pack("<II", round(tags.focal_mm * 10), 10)))
    text(0xA431, tags.serial)
    entries.sort()
    body, extra = b"", b""
    after = at + 2 + 12 * len(entries) + 4
    for tag, kind, count, raw in entries:
        if len(raw) <= 4:
            value = raw.ljust(4, b"\0")
        else:
            value = struct.pack("<I", after + len(extra))
            extra += raw + b"\0" * (len(raw) % 2)
        body += struct.pack("<HHI", tag, kind, count) + value
    return struct.pack("<H", len(entries)) + body + struct.pack("<I", 0) + extra


def _attach(path: Path, tags: Tags) -> None:
    """Append the Exif IFD and make the placeholder the pointer to it."""
    with tifffile.TiffFile(path) as tif:
        where = tif.pages[0].tags[PLACEHOLDER].valueoffset
    with path.open("r+b") as file:
        file.seek(0, 2)
        if file.tell() % 2:
            file.write(b"\0")
        at = file.tell()
        file.write(exif_ifd(tags, at))
        file.seek(where - 8)
        file.write(struct.pack("<H", EXIF_POINTER))
        file.seek(where)
        file.write(struct.pack("<I", at))


def _common(tags: Tags) -> list[tuple]:
    return [
        (271, 2, 0, tags.make, True),
        (272, 2, 0, tags.model, True),
        (306, 2, 0, tags.when, True),
        (PLACEHOLDER, 4, 1, 0, True),
    ]


def dng(path: Path, raw: np.ndarray, sensor: Sensor, tags: Tags, border=(0, 0)) -> None:
    """``border`` rows and columns above and left of the visible area, filled with black."""
    neutral = [v for r in sensor.response for v in (round(r * 10000), 10000)]
    top, left = border
    if top or left:
        height, width = raw.shape
        whole = np.empty((height + top, width + left), np.uint16)
        noise = np.random.default_rng(int(raw[0, 0])).normal(0, 2, whole.shape)
        whole[:] = np.rint(sensor.black[0] + noise)
        whole[top:, left:] = raw
        raw = whole
    extra = [
        *_common(tags),
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, bytes(sensor.pattern), True),
        (50706, 1, 4, b"\1\4\0\0", True),
        (50707, 1, 4, b"\1\1\0\0", True),
        (50708, 2, 0, f"{tags.make} {tags.model}", True),
        (50713, 3, 2, (2, 2), True),
        (50714, 3, 4, sensor.black, True),
        (50717, 4, 1, sensor.white, True),
        (50721, 10, 9, [v for m in MATRIX for v in (round(m * 10000), 10000)], True),
        (50728, 5, 3, neutral, True),
        (50778, 3, 1, 21, True),
    ]
    if top or left:
        extra.append((50829, 4, 4, (top, left, *raw.shape), True))
    tifffile.imwrite(
        path, raw, photometric=32803, byteorder="<", extratags=extra, metadata=None,
        software=False, datetime=None, rowsperstrip=raw.shape[0],
    )  # fmt: skip
    _attach(path, tags)


def tiff(path: Path, linear: np.ndarray, tags: Tags, bits: int, encoded: bool) -> None:
    """Three colours, 8 or 16 bits, linear or gamma-encoded."""
    shown = gamma(linear) if encoded else linear
    top = 2**bits - 1
    data = np.rint(shown * top).astype(np.uint8 if bits == 8 else np.uint16)
    tifffile.imwrite(
        path, data, photometric="rgb", byteorder="<", extratags=_common(tags), metadata=None,
        software=False,
    )  # fmt: skip
    _attach(path, tags)


def jpeg(path: Path, linear: np.ndarray, tags: Tags) -> None:
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0132] = tags.make, tags.model, tags.when
    inner = exif.get_ifd(0x8769)
    inner[0x829A] = IFDRational(*rational(tags.exposure))
    inner[0x829D] = IFDRational(round(tags.stop * 10), 10)
    inner[0x8827] = tags.iso
    inner[0x9003] = tags.when
    for tag, value in ((0x9291, tags.subsec), (0x9011, tags.offset), (0xA431, tags.serial)):
        if value is not None:
            inner[tag] = value
    if tags.focal_mm is not None:
        inner[0x920A] = IFDRational(round(tags.focal_mm * 10), 10)
    shown = np.rint(gamma(linear) * 255).astype(np.uint8)
    Image.fromarray(shown).save(path, quality=93, subsampling=0, exif=exif)


def fits_file(path: Path, linear: np.ndarray, tags: Tags) -> None:
    """(3, H, W) unsigned 16 bits, first row on top."""
    data = np.rint(np.moveaxis(linear, -1, 0) * 65535).astype(np.uint16)
    hdu = fits.PrimaryHDU(data)
    date, clock = tags.when.split(" ")
    stamp = f"{date.replace(':', '-')}T{clock}"
    hdu.header["DATE-OBS"] = stamp + (f".{tags.subsec}" if tags.subsec else "")
    hdu.header["EXPTIME"] = tags.exposure
    hdu.header["ISOSPEED"] = tags.iso
    hdu.header["INSTRUME"] = tags.model
    hdu.header["ROWORDER"] = "TOP-DOWN"
    hdu.writeto(path)


def sensor_fits(
    path: Path, raw: np.ndarray, sensor: Sensor, tags: Tags, band: str | None = None, *,
    mosaic: bool,
) -> None:  # fmt: skip
    """A sensor's numbers with the cards that programs for astronomical cameras write."""
    hdu = fits.PrimaryHDU(raw)
    date, clock = tags.when.split(" ")
    stamp = f"{date.replace(':', '-')}T{clock}"
    hdu.header["DATE-OBS"] = stamp + (f".{tags.subsec}" if tags.subsec else "")
    hdu.header["EXPTIME"] = tags.exposure
    hdu.header["GAIN"] = tags.iso
    hdu.header["OFFSET"] = 10
    hdu.header["PEDESTAL"] = -int(sensor.black[0])
    hdu.header["INSTRUME"] = f"{tags.make} {tags.model}"
    hdu.header["FOCALLEN"] = tags.focal_mm
    hdu.header["XPIXSZ"] = hdu.header["YPIXSZ"] = 36.0 * 1000.0 / raw.shape[1]
    hdu.header["XBINNING"] = hdu.header["YBINNING"] = 1
    hdu.header["CCD-TEMP"] = -10.0
    hdu.header["ROWORDER"] = "TOP-DOWN"
    hdu.header["SATURATE"] = int(sensor.white)
    if band is not None:
        hdu.header["FILTER"] = band
    if mosaic:
        hdu.header["BAYERPAT"] = "".join("RGB"[c] for c in sensor.pattern)
        hdu.header["XBAYROFF"] = hdu.header["YBAYROFF"] = 0
    hdu.writeto(path)
