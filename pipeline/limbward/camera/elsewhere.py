"""What a frame's Exif does not say and its side file or its name does: time, exposure, lens."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from xml.etree import ElementTree

from limbward.camera.shot import (
    PLAUSIBLE_EXPOSURE_S,
    PLAUSIBLE_F_NUMBER,
    PLAUSIBLE_FOCAL_MM,
    PLAUSIBLE_ISO,
    PLAUSIBLE_YEARS,
    Exif,
    believable,
    plain_text,
)
from limbward.regular import open_regular

LARGEST = 1 << 22  # bytes; side files of photographs are some kilobytes
NO_DATE, NO_EXPOSURE = "The camera wrote no date.", "The camera wrote no exposure time."
NO_FITS_DATE = "The FITS header has no DATE-OBS."
NO_FITS_EXPOSURE = "The FITS header has no EXPTIME."
SIDE_FILE, FILE_NAME = "side file", "file name"

# A date and a time of day, whatever parts them. A number behind an underscore may count frames of a
# burst, so it is no fraction of a second; behind a point, or right behind the seconds, it is.
STAMP = re.compile(
    r"(?<!\d)(\d{4})([-_.]?)(\d\d)\2(\d\d)[-_. T]{0,3}"
    r"(\d\d)([-_.:h]?)(\d\d)[-_.:m]?(\d\d)s?(?:[.,]?(\d{3})|[.,](\d{1,6}))?(Z)?(?!\d)"
)
EXPOSURE = re.compile(
    r"(?<![a-z0-9.])(?:1[-_](\d{1,5})|(\d{1,4}(?:\.\d{1,4})?))(us|ms|s|sec)(?![a-z0-9])"
)
FOCAL = re.compile(r"(?<![\d.])(\d{2,5})mm(?![a-z0-9])")
ISO = re.compile(r"(?<![a-z])iso[-_]?(\d{2,6})(?!\d)")
UNIT_S = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "sec": 1.0}

RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
EXIF = "{http://ns.adobe.com/exif/1.0/}"
EXIF_EX = "{http://cipa.jp/exif/1.0/}"
TIFF = "{http://ns.adobe.com/tiff/1.0/}"
AUX = "{http://ns.adobe.com/exif/1.0/aux/}"
DATES = (
    f"{EXIF}DateTimeOriginal",
    "{http://ns.adobe.com/photoshop/1.0/}DateCreated",
    "{http://ns.adobe.com/xap/1.0/}CreateDate",
)


@dataclass(frozen=True)
class Told:
    """What a side file or a name tells of a frame; None where it tells nothing."""

    time: datetime | None = None
    has_subsec: bool = False
    offset_hours: float | None = None
    exposure_s: float | None = None
    iso: float | None = None
    f_number: float | None = None
    focal_length_mm: float | None = None
    camera: str = ""
    serial: str = ""


def with_what_is_elsewhere(exif: Exif, path: Path) -> Exif:
    """Return what the camera wrote, completed from the frame's side file, then from its name.

    Parameters
    ----------
    exif : Exif
        It is believed where it says something.
    path : Path
        Of the frame.

    Returns
    -------
    Exif
        With a note for each thing that comes from elsewhere.
    """
    wanted = (exif.time_camera, exif.exposure_s, exif.focal_length_mm, exif.iso)
    if all(value is not None for value in wanted):
        return exif
    for source, told in ((SIDE_FILE, side_file(path)), (FILE_NAME, from_name(path.name))):
        if told is not None:
            exif = _completed(exif, told, source)
    return exif


def _completed(exif: Exif, told: Told, source: str) -> Exif:
    more: dict[str, object] = {}
    taken, silent = [], set()
    if exif.time_camera is None and told.time is not None:
        more |= {"time_camera": told.time, "has_subsec": told.has_subsec, "time_source": source}
        if exif.offset_hours is None:
            more["offset_hours"] = told.offset_hours
        taken.append("the time")
        silent |= {NO_DATE, NO_FITS_DATE}
    for name, words in (
        ("exposure_s", "the exposure"),
        ("iso", "the ISO"),
        ("f_number", "the f-number"),
        ("focal_length_mm", "the focal length"),
    ):
        value = getattr(told, name)
        if getattr(exif, name) is None and value is not None:
            more[name] = value
            taken.append(words)
    if "exposure_s" in more:
        silent |= {NO_EXPOSURE, NO_FITS_EXPOSURE}
    if not exif.camera and told.camera:
        more |= {"camera": told.camera, "serial": exif.serial or told.serial}
    if not more:
        return exif
    notes = tuple(n for n in exif.notes if n not in silent)
    if taken:
        listed = taken[0] if len(taken) == 1 else f"{', '.join(taken[:-1])} and {taken[-1]}"
        verb = "comes" if len(taken) == 1 else "come"
        notes += (f"{listed[0].upper()}{listed[1:]} {verb} from the {source}.",)
    return replace(exif, notes=notes, **more)  # type: ignore[arg-type]


def from_name(name: str) -> Told:
    """Return what a file's name tells: a time, and an exposure, focal length or ISO with its unit.

    Examples
    --------
    >>> from_name("IMG_20260812_183045.jpg").time
    datetime.datetime(2026, 8, 12, 18, 30, 45)
    >>> from_name("corona_1-500s_800mm_ISO200.tif").exposure_s
    0.002
    """
    lower = Path(name).name.lower()
    exposure = focal = iso = None
    if match := EXPOSURE.search(lower):
        exposure = _exposure(match)
    if match := FOCAL.search(lower):
        focal = _within(float(match[1]), PLAUSIBLE_FOCAL_MM)
    if match := ISO.search(lower):
        iso = _within(float(match[1]), PLAUSIBLE_ISO)
    time, subsec, utc = _stamp(Path(name).name)
    return Told(
        time,
        subsec,
        0.0 if utc else None,
        exposure_s=exposure,
        iso=iso,
        focal_length_mm=focal,
    )


def _exposure(match: re.Match[str]) -> float | None:
    value = 1.0 / float(match[1]) if match[1] and float(match[1]) else float(match[2] or "nan")
    return _within(value * UNIT_S[match[3]], PLAUSIBLE_EXPOSURE_S)


def _stamp(name: str) -> tuple[datetime | None, bool, bool]:
    """Return the first time in a name, whether it has a fraction, and whether it is said UTC."""
    for match in STAMP.finditer(name):
        year, month, day, hour, minute, second = (int(match[k]) for k in (1, 3, 4, 5, 7, 8))
        try:
            time = datetime(year, month, day, hour, minute, second)
        except ValueError:
            continue
        if not PLAUSIBLE_YEARS[0] <= time.year < PLAUSIBLE_YEARS[1]:
            continue
        fraction = match[9] or match[10]
        if fraction:
            time += timedelta(seconds=float(f"0.{fraction}"))
        return time, bool(fraction), bool(match[11])
    return None, False, False


def side_file(path: Path) -> Told | None:
    """Return what the XMP file beside a frame tells; None if there is none that can be read.

    It is called as the frame, with ``.xmp`` behind or in place of the suffix.

    References
    ----------
    ISO 16684-1 (XMP); the schemas Exif, ExifEX and TIFF of XMP (CIPA DC-010, Exif for XMP).
    """
    for name in (f"{path.name}.xmp", f"{path.stem}.xmp", f"{path.name}.XMP", f"{path.stem}.XMP"):
        beside = path.with_name(name)
        if not beside.is_file():
            continue
        try:
            with open_regular(beside) as stream:
                content = stream.read(LARGEST + 1)
        except OSError:
            continue
        # Entities, which XMP has no use for, may unfold to gigabytes.
        if len(content) <= LARGEST and b"<!ENTITY" not in content:
            return _from_xmp(content)
    return None


def _from_xmp(content: bytes) -> Told | None:
    try:
        root = ElementTree.fromstring(content.strip(b"\0 \r\n\t"))
    except (ElementTree.ParseError, ValueError):
        return None
    said: dict[str, str] = {}
    for about in root.iter(f"{RDF}Description"):
        said |= {k: v for k, v in about.attrib.items() if k not in said}
        for element in about:
            item = next(element.iter(f"{RDF}li"), element)
            said.setdefault(element.tag, (item.text or "").strip())
    time, subsec, offset = _xmp_time(said)
    return Told(
        time,
        subsec,
        offset,
        exposure_s=_ratio(said, PLAUSIBLE_EXPOSURE_S, f"{EXIF}ExposureTime"),
        iso=_ratio(
            said, PLAUSIBLE_ISO, f"{EXIF_EX}PhotographicSensitivity", f"{EXIF}ISOSpeedRatings"
        ),
        f_number=_ratio(said, PLAUSIBLE_F_NUMBER, f"{EXIF}FNumber"),
        focal_length_mm=_ratio(said, PLAUSIBLE_FOCAL_MM, f"{EXIF}FocalLength"),
        camera=plain_text(said.get(f"{TIFF}Model", "")),
        serial=plain_text(
            said.get(f"{EXIF_EX}BodySerialNumber", said.get(f"{AUX}SerialNumber", ""))
        ),
    )


def _xmp_time(said: Mapping[str, str]) -> tuple[datetime | None, bool, float | None]:
    for name in DATES:
        text = said.get(name, "").strip()
        if len(text) < len("2026-08-12T18:30"):  # a date alone is no time
            continue
        try:
            time = datetime.fromisoformat(text)
        except ValueError:
            continue
        if not PLAUSIBLE_YEARS[0] <= time.year < PLAUSIBLE_YEARS[1]:
            continue
        zone = time.utcoffset()
        offset = None if zone is None else zone.total_seconds() / 3600.0
        return time.replace(tzinfo=None), "." in text, offset
    return None, False, None


def _ratio(said: Mapping[str, str], limits: tuple[float, float], *names: str) -> float | None:
    """Return the first of some properties that is a number, or one over another, within limits."""
    for name in names:
        above, _, below = said.get(name, "").partition("/")
        try:
            value = float(above) / float(below or 1.0)
        except (ValueError, ZeroDivisionError, OverflowError):
            continue
        if (found := _within(value, limits)) is not None:
            return found
    return None


def _within(value: float, limits: tuple[float, float]) -> float | None:
    return value if math.isfinite(value) and believable(value, limits) else None
