"""What files without a readable Exif block say about a frame: FITS headers, and LibRaw's view.

FITS Standard 4.0, section 9, for the time keywords.
"""

import math
import warnings
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import rawpy
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from limbward.camera.axes import require_axes
from limbward.camera.bands import band_of
from limbward.camera.claims import packed_headers
from limbward.camera.elsewhere import NO_FITS_DATE, NO_FITS_EXPOSURE
from limbward.camera.frame import UnreadableFrame
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

# In common use beside the standard's DATE-OBS and XPOSURE.
TIMES_OF_DAY = ("TIME-OBS", "TIME-BEG", "UTC-OBS", "UTSTART", "UT", "UTC")
EXPOSURES = ("EXPTIME", "EXPOSURE", "XPOSURE")
STAMPED = "UTC stamp"  # TIMESRC of stills from a video whose pictures were dated one by one


def libraw_exif(path: Path, note: str) -> Exif:
    """Return what LibRaw itself decodes from formats that ExifRead does not know."""
    try:
        with path.open("rb"), rawpy.RawPy() as raw:
            raw.open_file(str(path))  # the pixels stay packed
            other = getattr(raw, "other", None)  # new in rawpy 0.25
    except (rawpy.LibRawError, rawpy.NotSupportedError, OSError, ValueError):
        return Exif(notes=(note,))
    if other is None:
        return Exif(notes=(note,))

    def within(value: float, limits: tuple[float, float]) -> float | None:
        return float(value) if math.isfinite(value) and believable(value, limits) else None

    # LibRaw gives the camera's wall clock as if it were the local time of this computer, and
    # rawpy turns it back, so that the zone of the computer cancels.
    time = other.timestamp.replace(tzinfo=None)
    believable = PLAUSIBLE_YEARS[0] <= time.year < PLAUSIBLE_YEARS[1]
    return Exif(
        time_camera=time if believable else None,
        exposure_s=within(other.shutter_speed, PLAUSIBLE_EXPOSURE_S),
        iso=within(other.iso_speed, PLAUSIBLE_ISO),
        f_number=within(other.aperture, PLAUSIBLE_F_NUMBER),
        focal_length_mm=within(other.focal_length, PLAUSIBLE_FOCAL_MM),
        notes=(note, "Time, to the whole second, and exposure come from LibRaw."),
    )


def _keywords(path: Path) -> dict[str, Any]:
    """Return the keywords up to the first image; where one is given twice, the first counts."""
    require_axes(path)
    found: dict[str, Any] = {}

    def take(header: fits.Header) -> None:
        for key, value in header.items():
            if key:
                found.setdefault(str(key).upper(), value)

    for header in packed_headers(path):
        take(header)
    if found:
        return found
    with fits.open(path, mode="readonly", memmap=True) as hdus:
        for hdu in hdus:
            take(hdu.header)
            if hdu.is_image and hdu.header.get("NAXIS", 0) >= 2:
                break
    return found


def read_fits_header(path: Path) -> Exif:
    """Return what a FITS header says about a frame; DATE-OBS is UTC unless TIMESYS objects."""
    notes: list[str] = []
    try:
        with warnings.catch_warnings():
            # Warned of, a file cut short among it; reading the pixels will fail with a sentence.
            warnings.simplefilter("ignore", AstropyUserWarning)
            header = _keywords(path)
    except UnreadableFrame as error:
        return Exif(notes=(str(error),))
    except OSError as error:
        if error.errno is not None:  # of the file system, not of what the file says
            raise
        return Exif(notes=(_unread(error),))
    except Exception as error:  # astropy meets damaged headers with exceptions of any kind
        return Exif(notes=(_unread(error),))

    def number(limits: tuple[float, float], *names: str) -> float | None:
        for name in names:
            value = header.get(name)
            if not isinstance(value, int | float) or isinstance(value, bool):
                continue
            if believable(value, limits):
                return float(value)
            if value:
                notes.append(f"The FITS header's {name} is not a value that can be real.")
        return None

    def text(name: str) -> str:
        value = header.get(name, "")
        return plain_text(value) if isinstance(value, str) else ""

    stamp = text("DATE-BEG") or text("DATE-OBS")
    if stamp and len(stamp) <= len("2026-08-12"):  # the day alone, as before the standard of 1999
        day = f"{stamp[6:]}-{stamp[3:5]}-{stamp[:2]}" if "/" in stamp else stamp
        clock = next((t for n in TIMES_OF_DAY if (t := text(n))), "")
        stamp = f"{day}T{clock}" if clock else ""
        if not clock:
            notes.append("The FITS header has a date but no time of day.")
    time, has_subsec = _fits_time(stamp), "." in stamp
    if time is None and stamp:
        has_subsec = False
        notes.append(f"The FITS date '{stamp}' is not one.")
    if time is None and not notes:
        notes.append(NO_FITS_DATE)
    scale = text("TIMESYS").upper()
    utc = scale in ("", "UTC", "UT")  # the standard's default is UTC
    if not utc:
        notes.append(f"The FITS time system is {scale}, so its offset from UTC is not assumed.")
    iso = number(PLAUSIBLE_ISO, "ISO", "ISOSPEED")
    if iso is None:
        iso = number((0.0, PLAUSIBLE_ISO[1]), "GAIN")
        if iso is not None:
            notes.append("The camera's GAIN is used as the ISO.")
    exposure = number(PLAUSIBLE_EXPOSURE_S, *EXPOSURES)
    if exposure is None and not any(name in header for name in EXPOSURES):
        notes.append(NO_FITS_EXPOSURE)
    return Exif(
        camera=text("INSTRUME"),
        serial=text("CAMSER") or text("SERIAL"),
        gps_utc=time if utc and text("TIMESRC") == STAMPED else None,
        time_camera=time,
        has_subsec=has_subsec,
        offset_hours=0.0 if utc and time is not None else None,
        exposure_s=exposure,
        iso=iso,
        f_number=number(PLAUSIBLE_F_NUMBER, "FOCRATIO"),
        focal_length_mm=number(PLAUSIBLE_FOCAL_MM, "FOCALLEN"),
        pixel_pitch_um=number(PLAUSIBLE_PITCH_UM, "XPIXSZ", "PIXSIZE1"),
        lens=text("TELESCOP"),
        band=band_of(text("FILTER")),
        notes=tuple(notes),
    )


def _unread(error: Exception) -> str:
    return f"The FITS header cannot be read ({plain_text(str(error))})."


def _fits_time(stamp: str) -> datetime | None:
    """Return a time without zone, one with a zone (which the standard does not know) in UTC."""
    try:
        time = datetime.fromisoformat(stamp)
    except ValueError:
        return None
    if not PLAUSIBLE_YEARS[0] <= time.year < PLAUSIBLE_YEARS[1]:
        return None
    return (time if time.tzinfo is None else time.astimezone(UTC)).replace(tzinfo=None)
