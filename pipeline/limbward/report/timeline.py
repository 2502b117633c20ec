"""The timeline: every frame by its time and exposure, with the contacts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import matplotlib.dates
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from limbward.report.material import PHASES, Frame
from limbward.report.svg import COLOURS, styled, to_svg
from limbward.report.wording import exposure_text, parse_utc, printable, time_text

_dates: Any = matplotlib.dates  # its functions have no types

MARKS = {
    "partial": "o",
    "contact": "D",
    "totality": "s",
    "dark": "v",
    "flat": "^",
    "bias": "<",
    "other": "P",
    "unreadable": "X",
}
AROUND = timedelta(minutes=30)  # before the first and after the last contact
CLOSE = timedelta(seconds=20)  # before C2 and after C3, in the close-up
# Full stops of camera dials: 1/8000 s to 30 s, and beyond.
STOPS = [1 / 8000, 1 / 1000, 1 / 250, 1 / 60, 1 / 15, 1 / 4, 1.0, 4.0, 15.0, 60.0]


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


def draw_timeline(
    frames: Sequence[Frame],
    times: Mapping[str, datetime],
    span: tuple[datetime, datetime],
    name: str,
    alt: str,
) -> Markup:
    """Return the frames of a span, a lane for each camera.

    Parameters
    ----------
    frames : sequence of Frame
        Marks link to ``#frame-N``, N being the place in the sequence.
    times : mapping
        Contacts, drawn as lines.
    span : tuple of datetime
    name, alt : str
        As for `to_svg`.
    """
    drawn = within(frames, span)
    cameras = sorted({f.camera for f in drawn.values()}) or [""]
    titles = {f"#frame-{i}": describe(f) for i, f in drawn.items()}
    with styled(name):
        figure = Figure(figsize=(9.6, 0.9 + 2.1 * len(cameras)), layout="constrained")
        axes = figure.subplots(len(cameras), 1, sharex=True, squeeze=False)[:, 0]
        for ax, camera in zip(axes, cameras, strict=True):
            mine = {i: f for i, f in drawn.items() if f.camera == camera}
            _draw_lane(ax, mine, times, span)
            if len(cameras) > 1:  # above the names of the contacts, which the first lane has
                ax.set_title(printable(camera), pad=18.0 if ax is axes[0] else 4.0)
        _name_contacts(axes[0], times, span)
        seconds = (span[1] - span[0]).total_seconds()
        form = "%H:%M" if seconds > 1200 else "%H:%M:%S"
        time_axis(axes[-1], form, 8)
        return to_svg(figure, name, alt, titles)


def describe(frame: Frame) -> str:
    """Return what a mark of the timeline stands for."""
    time = f", {time_text(frame.time)} UTC" if frame.time else ""
    return f"{frame.name}: {frame.phase}, {exposure_text(frame.exposure_s)}{time}"


def phases_in(frames: Mapping[int, Frame]) -> list[str]:
    """Return the phases there are, in a fixed order, for the legend."""
    there = {f.phase for f in frames.values()}
    return [phase for phase in PHASES if phase in there]


def _draw_lane(
    ax: Axes,
    frames: Mapping[int, Frame],
    times: Mapping[str, datetime],
    span: tuple[datetime, datetime],
) -> None:
    # What matters most is drawn last: the JPEG of a pair lies under its RAW.
    for phase in sorted(phases_in(frames), key=lambda p: (p != "other", p == "unreadable")):
        mine = [(i, f) for i, f in frames.items() if f.phase == phase]
        ax.scatter(
            [day_number(f.time) for _, f in mine],
            [f.exposure_s for _, f in mine],
            s=26,
            marker=MARKS[phase],
            color=COLOURS[phase],
            linewidths=0,
            urls=[f"#frame-{i}" for i, _ in mine],
            zorder=3,
        )
    ax.set_yscale("log")
    ax.yaxis.set_minor_locator(NullLocator())
    ax.yaxis.set_major_locator(FixedLocator(STOPS))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda v, _: exposure_text(v)))
    exposures = [f.exposure_s for f in frames.values()] or [1 / 60]
    ax.set_ylim(min(exposures) / 2.5, max(exposures) * 2.5)
    if not any(min(exposures) / 2.5 < s < max(exposures) * 2.5 for s in STOPS):
        ax.yaxis.set_major_locator(FixedLocator([math.sqrt(min(exposures) * max(exposures))]))
    ax.set_ylabel("exposure")
    ax.set_xlim(day_number(span[0]), day_number(span[1]))
    ax.grid(visible=False, axis="x")
    if "C2" in times and "C3" in times:
        ax.axvspan(
            day_number(times["C2"]), day_number(times["C3"]), color=COLOURS["panel"], zorder=0
        )
    for name, time in times.items():
        if name == "greatest" and _crowded(times, span):
            continue
        ax.axvline(day_number(time), color=COLOURS["soft"], linewidth=0.8, zorder=1)


def day_number(time: datetime | None) -> float:
    """Return a time in the days that matplotlib counts; its stubs take no datetime."""
    return math.nan if time is None else float(_dates.date2num(time))


def time_axis(ax: Axes, form: str, ticks: int) -> None:
    """Label the x axis with times of day."""
    ax.xaxis.set_major_locator(_dates.AutoDateLocator(minticks=3, maxticks=ticks))
    ax.xaxis.set_major_formatter(_dates.DateFormatter(form))
    ax.set_xlabel("UTC")


def _crowded(times: Mapping[str, datetime], span: tuple[datetime, datetime]) -> bool:
    """Return whether C2 and C3 lie so close together that nothing fits between them."""
    if "C2" not in times or "C3" not in times:
        return False
    return (span[1] - span[0]) > 12 * (times["C3"] - times["C2"])


def _name_contacts(
    ax: Axes, times: Mapping[str, datetime], span: tuple[datetime, datetime]
) -> None:
    """Write C1 to C4 above their lines; close together, C2 goes left and C3 right of its line."""
    crowded = _crowded(times, span)
    for name, time in times.items():
        if not span[0] <= time <= span[1] or (name == "greatest" and crowded):
            continue
        side = {"C2": "right", "C3": "left"}.get(name, "center") if crowded else "center"
        ax.annotate(
            name,
            (day_number(time), 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha=side,
            va="bottom",
            color=COLOURS["ink"],
            annotation_clip=True,
        )
