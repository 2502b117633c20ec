"""Numbers in words: exposures, times, sizes, what the clocks did."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from limbward.report.material import ClockAudit

SOURCES = {
    "crescents": "the crescents of the partial phases",
    "direct": "stamps of a GPS receiver or reference shots",
    "beads": "the beads on the Moon's limb by its relief",
    "totality": "the moments between which the Sun was covered",
}


@dataclass(frozen=True)
class Said:
    """What is said of a picture: its title, what stands below it and what it shows."""

    title: str
    caption: str
    alt: str


# Of the finished picture with its coordinates, beside its sources, and unwrapped.
VARIANTS = (
    Said(
        "With its coordinates",
        "Position angle, distance in solar radii, scale and what the picture is made of.",
        "The corona with circles at whole solar radii and position angles drawn over it.",
    ),
    Said(
        "What it is made of",
        "The linear corona, white at the limb; the filtered one; and the finished picture.",
        "The same corona side by side: linear, filtered, finished.",
    ),
    Said(
        "Unwrapped about the Sun",
        "Position angle to the right, distance from the Sun's centre upwards.",
        "The corona unwrapped: the limb is a level line and streamers rise from it.",
    ),
)


SIXTH_OF_A_STOP = 1.0 / 6.0


def report_title(kind: str, day: date) -> str:
    """Return what a report is called: ``Total eclipse of the Sun, 12 August 2026``."""
    eclipse = f"{kind.capitalize()} eclipse" if kind else "Eclipse"
    return f"{eclipse} of the Sun, {day.day} {day:%B %Y}"


def composite_caption(frames: int, up: str) -> str:
    """Return what the finished picture is made of, and what is up in it, by the config's word."""
    words = up.replace("_", " ")
    words = "As the camera was held." if up == "camera" else f"{words.capitalize()} is up."
    return f"Made of {counted(frames, 'frame')}. {words}"


def exposure_text(seconds: float) -> str:
    """Return an exposure as photographers write it.

    Examples
    --------
    >>> exposure_text(0.002), exposure_text(2.0), exposure_text(0.5)
    ('1/500 s', '2 s', '1/2 s')
    """
    if not math.isfinite(seconds) or seconds <= 0:
        return "not known"
    if seconds < 0.29 or seconds == 0.5:
        parts = round(1.0 / seconds)
        if abs(math.log2(parts * seconds)) < SIXTH_OF_A_STOP:  # 0.28 s is no 1/4 s
            return f"1/{parts} s"
    return f"{seconds:.3g} s"


def time_text(time: datetime, places: int = 1) -> str:
    """Return the time of day rounded to ``places`` decimals of a second (0 to 3)."""
    rounded = time + timedelta(seconds=0.5 * 10.0**-places)
    if places == 0:
        return rounded.strftime("%H:%M:%S")
    return rounded.strftime("%H:%M:%S.%f")[: 9 + places]


def parse_utc(text: str) -> datetime:
    """Return an ISO time with or without Z as UTC without a zone."""
    return datetime.fromisoformat(text.rstrip("Z"))


def counted(number: int, one: str, many: str = "") -> str:
    """Return ``1 frame`` or ``2 frames``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def listed(names: Sequence[str], at_most: int = 6) -> str:
    """Return names with commas, the last ones counted if there are many."""
    if len(names) <= at_most:
        return ", ".join(names)
    return f"{', '.join(names[:at_most])} and {len(names) - at_most} more"


def printable(text: str) -> str:
    """Return text without control characters, which XML does not allow."""
    return "".join(c if c.isprintable() else "\ufffd" for c in text)


def unbroken(text: str) -> str:
    """Return text that is kept on one line."""
    return text.replace(" ", "\u00a0")


def size_text(size: int) -> str:
    """Return a size of files, in decimal units as cards have them."""
    for unit, factor in (("GB", 1e9), ("MB", 1e6)):
        if size >= factor:
            return (
                f"{size / factor:.3g} {unit}"
                if size < 1e3 * factor
                else f"{size / factor:.0f} {unit}"
            )
    return f"{size / 1e3:.3g} kB"


def clock_sentences(clock: ClockAudit) -> list[str]:
    """Return what a camera's clock did, in sentences.

    Parameters
    ----------
    clock : ClockAudit
    """
    entry = clock.entry
    if entry["offset_s"] is None:
        if entry["utc_offset_hours"] is None:
            return ["Its clock could not be compared with anything, so its frames have no UTC."]
        return [
            f"Its clock could not be compared with anything. It is taken to be set to {clock.zone} "
            "without error, since the files or the config say so."
        ]
    epoch = parse_utc(entry["epoch_utc"])
    moment = f"{time_text(epoch, 0)} UTC"
    first = f"At {moment} the clock was {clock.error} on {unbroken(clock.zone)}"
    sentences = [f"{first}, {clock.drift}." if clock.drift else f"{first}."]
    sources = [SOURCES.get(source, source) for source in entry["sources"]]
    if sources:
        text = (
            f"This follows from {' and '.join(sources)} ({counted(entry['frames_used'], 'frame')})"
        )
        scatter = entry["residual_rms_s"]
        text += f"; they scatter by {_two_digits(scatter)} s." if scatter is not None else "."
        sentences.append(text)
    if limb := entry.get("lunar_limb"):
        sentences.append(limb["said"])
    sentences += _of_beads(entry.get("beads"))
    sentences.append(f"To convert this camera's times to UTC at that moment, {correction(clock)}.")
    return sentences


def _two_digits(seconds: float) -> str:
    """Return a scatter to two digits, no finer than hundredths."""
    return f"{seconds:.{min(max(1 - math.floor(math.log10(max(seconds, 1e-9))), 0), 2)}f}"


def _of_beads(beads: Mapping[str, Any] | None) -> list[str]:
    """Return what became of frames with beads; nothing without any."""
    if not beads:
        return []
    frames = counted(beads["frames"], "frame")
    if beads["why_not"]:
        return [f"Of the beads near second and third contact ({frames}): {beads['why_not']}."]
    return [
        f"The beads near second and third contact ({frames}), by the Moon's relief, give the clock "
        f"to {beads['sigma_s']:.2f} s, apart from the site's error."
    ]


def correction(clock: ClockAudit) -> str:
    """Return what to do to a reading to get UTC: ``subtract 3 h, then add 58.3 s``."""
    hours, offset = clock.entry["utc_offset_hours"], clock.entry["offset_s"]
    steps = []
    if hours:
        steps.append(f"{'subtract' if hours > 0 else 'add'} {abs(hours):g} h")
    steps.append(f"{'subtract' if offset > 0 else 'add'} {abs(offset):.1f} s")
    return ", then ".join(steps)
