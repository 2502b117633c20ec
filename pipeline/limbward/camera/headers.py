"""What files without a readable Exif block say about a frame: FITS headers, and LibRaw's view.

FITS Standard 4.0, section 9, for the time keywords.
"""

import math
import warnings
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import rawpy
from astropy.io import fits
from astropy.utils.exceptions import AstropyUserWarning

from limbward.camera.claims import packed_headers
from limbward.camera.frame import UnreadableFrame
from limbward.camera.shot import PLAUSIBLE_PITCH_UM, PLAUSIBLE_YEARS, Exif, plain_text


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

    def positive(value: float) -> float | None:
        return float(value) if math.isfinite(value) and value > 0 else None

    # LibRaw gives the camera's wall clock as if it were the local time of this computer, and
    # rawpy turns it back, so that the zone of the computer cancels.
    time = other.timestamp.replace(tzinfo=None)
    believable = PLAUSIBLE_YEARS[0] <= time.year < PLAUSIBLE_YEARS[1]
    return Exif(
        time_camera=time if believable else None,
        exposure_s=positive(other.shutter_speed),
        iso=positive(other.iso_speed),
        f_number=positive(other.aperture),
        focal_length_mm=positive(other.focal_length),
        notes=(note, "Time, to the whole second, and exposure come from LibRaw."),
    )


def _keywords(path: Path) -> dict[str, Any]:
    """Return the keywords up to the first image; where one is given twice, the first counts."""
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
    except (OSError, EOFError, KeyError, ValueError, TypeError, fits.VerifyError) as error:
        if isinstance(error, PermissionError | FileNotFoundError):
            raise
        return Exif(notes=(f"The FITS header cannot be read ({error}).",))

    def number(*names: str, valid: Callable[[float], bool] = lambda x: x > 0) -> float | None:
        for name in names:
            value = header.get(name)
            if isinstance(value, int | float) and not isinstance(value, bool) and valid(value):
                return float(value)
        return None

    def text(name: str) -> str:
        value = header.get(name, "")
        return plain_text(value) if isinstance(value, str) else ""

    time, has_subsec = None, False
    stamp = text("DATE-BEG") or text("DATE-OBS")
    try:
        time = datetime.fromisoformat(stamp).replace(tzinfo=None) if stamp else None
        has_subsec = "." in stamp
    except ValueError:
        notes.append(f"The FITS date '{stamp}' is not one.")
    if time is None and not notes:
        notes.append("The FITS header has no DATE-OBS.")
    scale = text("TIMESYS").upper()
    utc = scale in ("", "UTC", "UT")  # the standard's default is UTC
    if not utc:
        notes.append(f"The FITS time system is {scale}, so its offset from UTC is not assumed.")
    iso = number("ISO", "ISOSPEED")
    if iso is None:
        iso = number("GAIN", valid=lambda x: x >= 0)
        if iso is not None:
            notes.append("The camera's GAIN stands in place of the ISO.")
    pitch = number("XPIXSZ", "PIXSIZE1")
    exposure = number("EXPTIME", "EXPOSURE")
    if exposure is None:
        notes.append("The FITS header has no EXPTIME.")
    return Exif(
        camera=text("INSTRUME"),
        serial=text("CAMSER") or text("SERIAL"),
        time_camera=time,
        has_subsec=has_subsec,
        offset_hours=0.0 if utc and time is not None else None,
        exposure_s=exposure,
        iso=iso,
        f_number=number("FOCRATIO"),
        focal_length_mm=number("FOCALLEN"),
        pixel_pitch_um=pitch if pitch and pitch <= PLAUSIBLE_PITCH_UM[1] else None,
        notes=tuple(notes),
    )
