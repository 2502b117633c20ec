"""What a camera says about one frame, from whatever kind of file."""

from dataclasses import dataclass
from datetime import datetime

PLAUSIBLE_PITCH_UM = (0.5, 30.0)  # smallest phone pixels; largest scientific ones
PLAUSIBLE_YEARS = (1990, 2100)  # the first digital cameras; later than any use of this program
# What is not between these is damage, and would overflow a table or upset what is computed from it.
PLAUSIBLE_EXPOSURE_S = (1e-7, 1e5)
PLAUSIBLE_ISO = (1e-3, 1e8)
PLAUSIBLE_F_NUMBER = (0.1, 1e4)
PLAUSIBLE_FOCAL_MM = (0.1, 1e6)

LONGEST_TEXT = 200  # of a make, a model or a serial number; more is damage or mischief


def plain_text(text: str) -> str:
    r"""Return a text from a file on one line, without characters that steer a terminal or a table.

    Examples
    --------
    >>> plain_text("Model\nOne\0\x1b[2J ")
    'Model One [2J'
    """
    kept = "".join(c if c.isprintable() else " " for c in text[: 4 * LONGEST_TEXT])
    return " ".join(kept.split())[:LONGEST_TEXT]


def believable(value: float, limits: tuple[float, float]) -> bool:
    """Return whether a number lies within limits; a whole number of any length may be asked."""
    return bool(limits[0] <= value <= limits[1])


@dataclass(frozen=True)
class Exif:
    """What the camera says about one frame. None is: not said, or not believable.

    Attributes
    ----------
    camera : str
        Make and model, the make not doubled; empty if unknown.
    serial : str
        Serial number of the body; empty if unknown.
    time_camera : datetime or None
        Start of the exposure by the camera's clock, without zone, sub-seconds included if any.
    has_subsec : bool
        Whether `time_camera` carries a fraction of a second.
    offset_hours : float or None
        Zone that the camera claims, hours east of UTC (OffsetTimeOriginal).
    gps_utc : datetime or None
        UTC without zone: a GPS stamp, or that of a video's pictures.
    gps_place : tuple of float or None
        Latitude and longitude by GPS, degrees north and east.
    exposure_s, iso, f_number, focal_length_mm : float or None
    pixel_pitch_um : float or None
        From the focal-plane resolution.
    orientation : int or None
        Exif orientation, 1 to 8. Pixels are never turned by it.
    notes : tuple of str
        A sentence for each value that was not believed, and for each fallback.
    lens : str
        Model of the lens or name of the telescope; empty if unknown.
    band : str
        Name of the filter; empty if unknown.
    time_source : str
        Where `time_camera` comes from if the camera did not write it: ``side file`` or
        ``file name``.
    camera_notes : tuple of str
        The same for values that are of the camera, not of the frame.
    """

    camera: str = ""
    serial: str = ""
    time_camera: datetime | None = None
    has_subsec: bool = False
    offset_hours: float | None = None
    gps_utc: datetime | None = None
    gps_place: tuple[float, float] | None = None
    exposure_s: float | None = None
    iso: float | None = None
    f_number: float | None = None
    focal_length_mm: float | None = None
    pixel_pitch_um: float | None = None
    orientation: int | None = None
    notes: tuple[str, ...] = ()
    time_source: str = ""
    lens: str = ""
    band: str = ""
    camera_notes: tuple[str, ...] = ()
