"""What a camera wrote about a frame: its Exif tags, read by ExifRead.

Field semantics: CIPA DC-008-2023 (Exif 3.0), JEITA CP-3451.
A value that makes no sense (an exposure of 1/0 s, a date of zeros) becomes None and a note.
"""

import errno
import logging
import math
import re
from collections.abc import Mapping
from datetime import datetime, timedelta
from io import BufferedReader
from pathlib import Path
from typing import Any, BinaryIO

import exifread

from limbward.camera.card import kind_of
from limbward.camera.containers import embedded_jpeg, tiff_blocks
from limbward.camera.elsewhere import NO_DATE, NO_EXPOSURE, with_what_is_elsewhere
from limbward.camera.headers import libraw_exif, read_fits_header
from limbward.camera.heif_boxes import exif_of
from limbward.camera.shot import (
    PLAUSIBLE_EXPOSURE_S,
    PLAUSIBLE_F_NUMBER,
    PLAUSIBLE_FOCAL_MM,
    PLAUSIBLE_ISO,
    PLAUSIBLE_PITCH_UM,
    PLAUSIBLE_YEARS,
    Exif,
    believable,
    plain_text,
)
from limbward.regular import open_regular

__all__ = ["Exif", "camera_name", "from_tags", "read_exif"]

Tags = Mapping[str, Any]

# ExifRead reports damaged tags through logging, on standard error when nobody listens; what
# matters of them reaches the frame table as a note of ours.
logging.getLogger("exifread").setLevel(logging.CRITICAL)

WRONG = "cannot be right, so it is not used."
UNIT_UM = {2: 25400.0, 3: 10000.0, 4: 1000.0, 5: 1.0}  # ResolutionUnit: inch, cm; mm, um in use
ISO_OVERFLOW = 65535  # PhotographicSensitivity says 65535 when the value is 65535 or more


def read_exif(path: str | Path, *, decode: bool = True) -> Exif:
    """Read what the camera wrote about a RAW, JPEG, TIFF or FITS file.

    Parameters
    ----------
    path : str or Path
    decode : bool
        Whether a RAW file whose Exif is not understood may be opened with LibRaw for it.

    Returns
    -------
    Exif
        Of what the file does not say, from the XMP file beside it and from its name. All None, with
        a note, where none of them says anything or the file is damaged.

    Raises
    ------
    OSError
        If the file cannot be opened.
    """
    path = Path(path)
    return with_what_is_elsewhere(_in_file(path, decode=decode), path)


def _in_file(path: Path, *, decode: bool) -> Exif:
    kind = kind_of(path.name)
    if kind == "fits":
        return read_fits_header(path)
    note = "The file has no Exif block that ExifRead understands."
    with BufferedReader(open_regular(path)) as stream:
        try:
            tags = _tags(stream) if kind != "heif" else _heif_tags(stream)
        except Exception as error:  # ExifRead meets damaged files with exceptions of any kind
            if isinstance(error, OSError) and error.errno == errno.EIO:  # of the disk
                raise
            tags, note = {}, f"The Exif block is damaged ({plain_text(str(error))})."
    if _has_exif(tags):
        return from_tags(tags)
    return libraw_exif(path, note) if decode and kind == "raw" else Exif(notes=(note,))


def from_tags(tags: Tags) -> Exif:
    """Interpret tags as ExifRead returns them (``"EXIF ExposureTime"`` and so on)."""
    notes: list[str] = []
    camera_notes: list[str] = []
    time_camera, has_subsec = _time(tags, notes)
    return Exif(
        camera=camera_name(_text(tags, "Image Make"), _text(tags, "Image Model")),
        serial=_serial(tags),
        time_camera=time_camera,
        has_subsec=has_subsec,
        offset_hours=_offset(tags, notes),
        gps_utc=_gps(tags, notes),
        gps_place=_gps_place(tags, notes),
        exposure_s=_exposure(tags, notes),
        iso=_iso(tags, notes),
        f_number=_f_number(tags, notes),
        focal_length_mm=_within(tags, "EXIF FocalLength", PLAUSIBLE_FOCAL_MM, notes),
        # Dashes: no lens that the camera knows.
        lens=(_text(tags, "EXIF LensModel") or _text(tags, "Image LensModel")).strip("- "),
        pixel_pitch_um=_pitch(tags, camera_notes),
        orientation=_orientation(tags),
        notes=tuple(notes),
        camera_notes=tuple(camera_notes),
    )


def camera_name(make: str, model: str) -> str:
    """Join make and model, leaving out a make that the model repeats.

    Examples
    --------
    >>> camera_name("ACME Corporation", "ACME One"), camera_name("ACME", "One")
    ('ACME One', 'ACME One')
    """
    if make and model and model.casefold().split()[0] == make.casefold().split()[0]:
        return model
    return f"{make} {model}".strip()


def _tags(stream: BinaryIO) -> dict[str, Any]:
    jpeg = embedded_jpeg(stream)
    if jpeg is not None:
        return _process(jpeg)
    blocks = tiff_blocks(stream)
    if blocks:
        merged: dict[str, Any] = {}
        for directory, block in blocks.items():
            # Each block is read as a zeroth directory; its tags belong to `directory`.
            for name, tag in _process(block).items():
                rest = name.split(" ", 1)[-1]
                if directory == "GPS":
                    rest = _GPS_NAMES.get(getattr(tag, "tag", -1), rest)
                merged[f"{directory} {rest}"] = tag
        return merged
    return _process(stream)


def _heif_tags(stream: BinaryIO) -> dict[str, Any]:
    block = exif_of(stream)
    return {} if block is None else _process(block)


def _process(stream: BinaryIO) -> dict[str, Any]:
    """Read tags; the maker note, hundreds of times slower, only where the serial is wanted."""
    tags: dict[str, Any] = exifread.process_file(stream, details=False, extract_thumbnail=False)
    if tags and not _serial(tags):
        try:
            with_notes = exifread.process_file(stream, details=True, extract_thumbnail=False)
        except Exception:  # a maker note that ExifRead stumbles over costs only the serial
            return tags
        tags.update({k: v for k, v in with_notes.items() if k.startswith("MakerNote ")})
    return tags


_GPS_NAMES = {
    0x0001: "GPSLatitudeRef",
    0x0002: "GPSLatitude",
    0x0003: "GPSLongitudeRef",
    0x0004: "GPSLongitude",
    0x0005: "GPSAltitudeRef",
    0x0006: "GPSAltitude",
    0x0007: "GPSTimeStamp",
    0x001D: "GPSDate",
}


def _has_exif(tags: Tags) -> bool:
    return any(
        name in tags
        for name in ("Image Make", "Image Model", "EXIF ExposureTime", "EXIF DateTimeOriginal")
    )


def _values(tags: Tags, name: str) -> Any:
    return getattr(tags.get(name), "values", None)


def _text(tags: Tags, name: str) -> str:
    value = _values(tags, name)
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    return plain_text(value) if isinstance(value, str) else ""


def _numbers(tags: Tags, name: str) -> list[float]:
    """Return the finite numbers of a tag; a ratio with a zero denominator is not one."""
    value = _values(tags, name)
    numbers = []
    for item in value if isinstance(value, list) else []:
        try:
            number = float(item[0] if isinstance(item, tuple) else item)
        except (TypeError, ValueError, ZeroDivisionError, OverflowError):
            continue
        if math.isfinite(number):
            numbers.append(number)
    return numbers


def _number(tags: Tags, name: str) -> float | None:
    numbers = _numbers(tags, name)
    return numbers[0] if numbers else None


def _positive(tags: Tags, name: str) -> float | None:
    number = _number(tags, name)  # 0 is what a camera writes for a lens without contacts
    return number if number is not None and number > 0 else None


def _within(tags: Tags, name: str, limits: tuple[float, float], notes: list[str]) -> float | None:
    """Return a positive number of a tag, None with a note if it is beyond all that there is."""
    number = _positive(tags, name)
    if number is None or believable(number, limits):
        return number
    notes.append(f"A {name.split()[-1]} of {number:.3g} {WRONG}")
    return None


def _serial(tags: Tags) -> str:
    for name in (
        "EXIF BodySerialNumber",
        "Image BodySerialNumber",
        "Image CameraSerialNumber",
        "Image Tag 0xC62F",  # CameraSerialNumber of the DNG specification
        "EXIF SerialNumber",
        "MakerNote SerialNumber",
        "MakerNote InternalSerialNumber",
    ):
        text = _text(tags, name)
        if not text:
            numbers = _numbers(tags, name)
            text = f"{numbers[0]:.0f}" if len(numbers) == 1 and 0 < numbers[0] < 2**64 else ""
        if text.strip("0 "):
            return text
    return ""


def _datetime(text: str) -> datetime | None:
    match = re.fullmatch(r"(\d{4})\D(\d\d)\D(\d\d)\D(\d\d)\D(\d\d)\D(\d\d).*", text)
    if match is None:
        return None
    try:
        time = datetime.strptime(" ".join(match.groups()), "%Y %m %d %H %M %S")
    except ValueError:
        return None
    return time if PLAUSIBLE_YEARS[0] <= time.year < PLAUSIBLE_YEARS[1] else None


def _time(tags: Tags, notes: list[str]) -> tuple[datetime | None, bool]:
    for name, subsec, remark in (
        ("EXIF DateTimeOriginal", "EXIF SubSecTimeOriginal", ""),
        ("Image DateTimeOriginal", "EXIF SubSecTimeOriginal", ""),
        ("EXIF DateTimeDigitized", "EXIF SubSecTimeDigitized", "DateTimeDigitized"),
        ("Image DateTime", "EXIF SubSecTime", "DateTime, which editing changes"),
    ):
        text = _text(tags, name)
        if not text.strip(": 0-"):
            continue
        time = _datetime(text)
        if time is None:
            notes.append(f"The camera's date '{text}' is not one.")
            continue
        if remark:
            notes.append(f"There is no DateTimeOriginal; the time comes from {remark}.")
        digits = _text(tags, subsec)
        if not re.fullmatch(r"\d{1,9}", digits):
            return time, False
        return time + timedelta(seconds=float(f"0.{digits}")), True
    notes.append(NO_DATE)
    return None, False


def _offset(tags: Tags, notes: list[str]) -> float | None:
    text = _text(tags, "EXIF OffsetTimeOriginal")
    if not text.strip(": +-"):
        return None
    match = re.fullmatch(r"([+-])(\d\d):?(\d\d)", text)
    if text == "Z":
        return 0.0
    if match is None or int(match[2]) > 14 or int(match[3]) > 59:
        notes.append(f"The camera's zone '{text}' is not one.")
        return None
    return (-1 if match[1] == "-" else 1) * (int(match[2]) + int(match[3]) / 60)


def _gps(tags: Tags, notes: list[str]) -> datetime | None:
    date, clock = _text(tags, "GPS GPSDate"), _numbers(tags, "GPS GPSTimeStamp")
    if not date and not clock:
        return None
    day = _datetime(f"{date} 00:00:00")
    if day is None or len(clock) != 3:
        notes.append("The GPS time is incomplete.")
        return None
    # 60 and more are seconds of a leap; of minutes there are 59 and their decimals.
    if not (0 <= clock[0] < 24 and 0 <= clock[1] < 60 and 0 <= clock[2] < 61):
        notes.append("The GPS time is not a time of day.")
        return None
    return day + timedelta(hours=clock[0], minutes=clock[1], seconds=clock[2])


def _gps_place(tags: Tags, notes: list[str]) -> tuple[float, float] | None:
    """Return latitude and longitude, degrees north and east (DC-008, 4.6.6)."""
    angles = []
    for name, positive, negative, most in (("Latitude", *"NS", 90.0), ("Longitude", *"EW", 180.0)):
        side, parts = _text(tags, f"GPS GPS{name}Ref"), _numbers(tags, f"GPS GPS{name}")
        if not parts or side not in (positive, negative):
            return None
        angle = sum(abs(part) / 60.0**i for i, part in enumerate(parts[:3]))
        if angle > most:
            notes.append(f"A GPS {name.lower()} of {angle:.3g} degrees {WRONG}")
            return None
        angles.append(angle if side == positive else -angle)
    # What a receiver without a fix writes; the place itself is in the Atlantic.
    return None if angles == [0.0, 0.0] else (angles[0], angles[1])


def _exposure(tags: Tags, notes: list[str]) -> float | None:
    exposure = _number(tags, "EXIF ExposureTime") or _number(tags, "Image ExposureTime")
    if exposure is not None and believable(exposure, PLAUSIBLE_EXPOSURE_S):
        return exposure
    apex = _number(tags, "EXIF ShutterSpeedValue")
    if apex is not None and -17 < apex < 20:
        notes.append("The exposure comes from ShutterSpeedValue, which is rounded.")
        return float(2.0**-apex)  # APEX: Tv = -log2(t / 1 s), DC-008 annex C
    notes.append(NO_EXPOSURE)
    return None


def _iso(tags: Tags, notes: list[str]) -> float | None:
    iso = _positive(tags, "EXIF ISOSpeedRatings") or _positive(tags, "Image ISOSpeedRatings")
    if iso is not None and iso < ISO_OVERFLOW:
        return iso
    for name in ("EXIF RecommendedExposureIndex", "EXIF ISOSpeed"):
        precise = _within(tags, name, PLAUSIBLE_ISO, notes)
        if precise is not None:
            return precise
    if iso is not None:
        notes.append("The ISO is 65535 or more.")
    return None


def _f_number(tags: Tags, notes: list[str]) -> float | None:
    f_number = _within(tags, "EXIF FNumber", PLAUSIBLE_F_NUMBER, notes)
    if f_number is not None:
        return f_number
    apex = _positive(tags, "EXIF ApertureValue")
    return float(2.0 ** (apex / 2)) if apex is not None and apex < 20 else None


def _pitch(tags: Tags, notes: list[str]) -> float | None:
    resolution = _positive(tags, "EXIF FocalPlaneXResolution")
    if resolution is None:
        return None
    unit = int(_number(tags, "EXIF FocalPlaneResolutionUnit") or 2)  # inch is the default
    pitch = UNIT_UM.get(unit, math.nan) / resolution
    if PLAUSIBLE_PITCH_UM[0] <= pitch <= PLAUSIBLE_PITCH_UM[1]:
        return pitch
    notes.append(f"A pixel pitch of {pitch:.3g} µm, by the focal-plane resolution, {WRONG}")
    return None


def _orientation(tags: Tags) -> int | None:
    value = _number(tags, "Image Orientation")
    return int(value) if value is not None and 1 <= value <= 8 else None
