"""The spans of the timeline, and what is said of a frame on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from limbward.report.material import Frame
from limbward.report.wording import exposure_text, parse_utc, time_text

AROUND = timedelta(minutes=30)  # before the first and after the last contact
CLOSE = timedelta(seconds=20)  # before C2 and after C3, in the close-up


def contact_times(contacts: Mapping[str, Any]) -> dict[str, datetime]:
    """Return C1 to C4 and greatest eclipse as UTC without a zone."""
    return {name: parse_utc(c["utc"]) for name, c in contacts.get("contacts", {}).items()}


def whole_span(times: Mapping[str, datetime]) -> tuple[datetime, datetime]:
    """Return from when to when the timeline reaches."""
    return min(times.values()) - AROUND, max(times.values()) + AROUND


def central_span(times: Mapping[str, datetime]) -> tuple[datetime, datetime] | None:
    """Return the span of the close-up, None if there is no C2 and C3."""
    if "C2" not in times or "C3" not in times:
        return None
    return times["C2"] - CLOSE, times["C3"] + CLOSE


def within(frames: Sequence[Frame], span: tuple[datetime, datetime]) -> dict[int, Frame]:
    """Return the frames that can be drawn, by their number in ``frames``."""
    return {
        i: f
        for i, f in enumerate(frames)
        if f.time is not None and f.exposure_s > 0 and span[0] <= f.time <= span[1]
    }


def describe(frame: Frame) -> str:
    """Return what a mark stands for."""
    time = f", {time_text(frame.time)} UTC" if frame.time else ""
    return f"{frame.name}: {frame.phase}, {exposure_text(frame.exposure_s)}{time}"
