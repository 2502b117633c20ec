"""Charts as still drawings, for print and where no script runs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import matplotlib.dates
import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, MaxNLocator, NullLocator

from limbward.report.chart import Axis, Chart, Series
from limbward.report.material import Floats
from limbward.report.section import Plot
from limbward.report.svg import COLOURS, styled, to_svg
from limbward.report.wording import exposure_text, printable

# Seconds between labels of an axis of times: what a clock is read in.
TICKS_S = (
    1,
    2,
    5,
    10,
    15,
    30,
    60,
    120,
    300,
    600,
    900,
    1800,
    3600,
    7200,
    10800,
    21600,
    43200,
    86400,
)
_dates: Any = matplotlib.dates  # its functions have no types

PX_PER_INCH = 100.0  # CSS pixels of a chart's height to an inch of the drawing
HALF, WIDE = 5.2, 9.6  # inches; two halves stand side by side on a wide page
DAY_S = 86400.0
# Full stops of camera dials, as in charts.js.
STOPS = [
    *(1 / n for n in (8000, 4000, 2000, 1000, 500, 250, 125, 60, 30, 15, 8, 4, 2)),
    *(1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0, 120.0, 240.0, 480.0),
]


def plot(
    charts: Sequence[Chart], name: str, alt: str, caption: str = "", wide: bool = False
) -> Plot:
    """Return charts that belong together as a plot: the drawing, and the charts to explore.

    Parameters
    ----------
    charts : sequence of Chart
        Drawn below each other; those whose x has the same bounds share its numbers.
    name, alt : str
        As for `to_svg`.
    caption : str
    wide : bool
        Whether it takes the whole width of the page.
    """
    return Plot(_draw(charts, name, alt, WIDE if wide else HALF), caption, wide, charts)


def _draw(charts: Sequence[Chart], name: str, alt: str, width: float) -> Markup:
    heights = [chart.height / PX_PER_INCH for chart in charts]
    together = len({(c.x.low, c.x.high) for c in charts}) == 1
    titles = {
        f"#frame-{frame}": text
        for chart in charts
        for frame, text in zip(chart.frames, chart.texts, strict=False)
    }
    with styled(name):
        figure = Figure(figsize=(width, sum(heights)), layout="constrained")
        grid = {"height_ratios": heights}
        column = figure.subplots(len(charts), 1, sharex=together, squeeze=False, gridspec_kw=grid)[
            :, 0
        ]
        for ax, chart in zip(column, charts, strict=True):
            _draw_chart(ax, chart, width)
            if together and ax is not column[-1]:
                ax.set_xlabel("")
        named: dict[str, Any] = {}
        for ax in column:
            for handle, label in zip(*ax.get_legend_handles_labels(), strict=True):
                named.setdefault(label, handle)
        if named:
            figure.legend(
                list(named.values()),
                list(named),
                loc="outside upper left",
                ncols=_columns(list(named), width),
                handletextpad=0.3,
            )
        return to_svg(figure, name, alt, titles)


def _columns(names: Sequence[str], width: float) -> int:
    """Return in how many columns a key fits; a letter is about 0.08 in, a mark and gaps 0.5 in."""
    return max(1, min(len(names), int((width - 0.2) / (0.5 + 0.08 * max(map(len, names))))))


def _draw_chart(ax: Axes, chart: Chart, width: float) -> None:
    for a, b in chart.shades:
        ax.axvspan(a, b, color=COLOURS["panel"], zorder=0)
    for outline in chart.outlines:
        if outline.fill:
            ax.fill(*zip(*outline.points, strict=True), color=COLOURS[outline.fill], linewidth=0)
        ax.plot(*zip(*outline.points, strict=True), color=COLOURS[outline.colour], linewidth=0.9)
    at = np.asarray(chart.at)
    upper: Series | None = None
    for series in chart.series:
        if series.draw == "edge":
            if upper is None:
                upper = series
                continue
            bounds = np.asarray(series.y), np.asarray(upper.y)
            shade, label = COLOURS[upper.colour], _label(upper)
            ax.fill_between(at, *bounds, color=shade, alpha=0.25, linewidth=0, label=label)
            upper = None
        else:
            _draw_series(ax, chart, at, series)
    x, y = chart.x, chart.y
    if chart.equal:
        ax.set_aspect("equal")
        x, y = _same_units(x, y, width - 0.8, chart.height / PX_PER_INCH - 0.9)
    _set_side(ax, x, False, width * PX_PER_INCH)
    _set_side(ax, y, True, chart.height)
    if chart.y.kind == "names":
        ax.grid(visible=False, axis="y")
    if chart.rules:
        ax.grid(visible=False, axis="x")
    if y.kind == "linear" and y.low < 0 < y.high and chart.frames and not chart.equal:
        ax.axhline(0.0, color=COLOURS["soft"], linewidth=1.0, zorder=1)
    _draw_rules(ax, chart)
    if chart.heading:  # above the names of the rules
        ax.set_title(printable(chart.heading), pad=18.0 if chart.rules else 4.0)


def _label(series: Series) -> str | None:
    return printable(series.name) or None


def _draw_series(ax: Axes, chart: Chart, at: Floats, series: Series) -> None:
    y, colour, label = np.asarray(series.y, float), COLOURS[series.colour], _label(series)
    if series.draw == "marks":
        seen = np.flatnonzero(np.isfinite(at) & np.isfinite(y)).tolist()
        hollow = series.mark.startswith("H")
        ax.scatter(
            at[seen],
            y[seen],
            s=24,
            marker=series.mark.removeprefix("H"),
            facecolors="none" if hollow else colour,
            edgecolors=colour,
            linewidths=1.1 if hollow else 0.0,
            urls=[f"#frame-{chart.frames[i]}" for i in seen] if chart.frames else None,
            label=label,
            zorder=3,
        )
    elif series.draw == "bar":
        ax.plot(at, y, color=colour, linewidth=9.0, solid_capstyle="butt", label=label)
    elif series.draw == "steps":
        ax.plot(at, y, color=colour, drawstyle="steps-mid", label=label)
    elif series.draw in ("dashes", "dots"):
        style = "--" if series.draw == "dashes" else ":"
        ax.plot(at, y, color=colour, linewidth=1.2, linestyle=style, label=label)
    else:
        ax.plot(at, y, color=colour, label=label)


def _same_units(x: Axis, y: Axis, width: float, height: float) -> tuple[Axis, Axis]:
    """Return the axes, that with room to spare widened; the plot is ``width`` by ``height``."""
    unit = max((x.high - x.low) / width, (y.high - y.low) / height)
    wider = []
    for axis, length in ((x, width), (y, height)):
        middle, half = 0.5 * (axis.low + axis.high), 0.5 * unit * length
        wider.append(replace(axis, low=middle - half, high=middle + half))
    return wider[0], wider[1]


def _set_side(ax: Axes, axis: Axis, vertical: bool, length_px: float) -> None:
    """Give one side of a plot its bounds, its numbers and its label."""
    low, high = axis.low, axis.high
    side = ax.yaxis if vertical else ax.xaxis
    scaled = ax.set_yscale if vertical else ax.set_xscale
    bound = ax.set_ylim if vertical else ax.set_xlim
    room = max(2, int(length_px / (45 if vertical else 100)))
    if axis.kind in ("log", "exposure"):
        scaled("log")
        side.set_minor_locator(NullLocator())
    if axis.kind == "log":
        subs = (1.0,) if high > 300 * low else (1.0, 2.0, 5.0)
        side.set_major_locator(LogLocator(subs=subs, numticks=8))
        side.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.3g}"))
    elif axis.kind == "exposure":
        stops = [s for s in STOPS if low < s < high] or [math.sqrt(low * high)]
        side.set_major_locator(FixedLocator(stops[:: math.ceil(len(stops) / room)]))
        side.set_major_formatter(FuncFormatter(lambda v, _: exposure_text(v)))
    elif axis.kind == "names":
        side.set_major_locator(FixedLocator(range(len(axis.names))))
        names = [printable(n) for n in axis.names]
        side.set_major_formatter(FuncFormatter(lambda v, _: names[round(v)]))
    elif axis.kind == "time":
        _set_times(ax, axis, room)
    else:
        whole = high - low > 4 and axis.label.startswith("frames")
        side.set_major_locator(MaxNLocator(min(room, 8), integer=whole, steps=[1, 2, 5, 10]))
        ax.ticklabel_format(axis="y" if vertical else "x", useOffset=False)
        if axis.kind == "angle":
            side.set_major_formatter(FuncFormatter(lambda v, _: f"{v % 360.0:g}°"))
    bound((high, low) if axis.down else (low, high))
    side.set_label_text(printable(axis.label))


def _set_times(ax: Axes, axis: Axis, room: int) -> None:
    """Label the x axis, which counts seconds, with times of day."""
    step = next((s for s in TICKS_S if axis.high - axis.low <= s * room), TICKS_S[-1])
    first = math.ceil((axis.begin + axis.low) / step) * step - axis.begin
    ticks = np.arange(first, axis.high + 1e-6, step)
    form = _dates.DateFormatter("%H:%M" if axis.high - axis.low > 1200 else "%H:%M:%S")
    ax.set_xticks(ticks, [form((axis.begin + s) / DAY_S) for s in ticks])


def _draw_rules(ax: Axes, chart: Chart) -> None:
    """Draw upright lines with names above; close together, C2 goes left and C3 right of its own."""
    at = {name: x for x, name in chart.rules if chart.x.low <= x <= chart.x.high}
    wide = chart.x.high - chart.x.low
    crowded = "C2" in at and "C3" in at and wide > 12 * (at["C3"] - at["C2"])
    sides = {"C2": "right", "C3": "left"} if crowded else {}
    for name, x in at.items():
        if name == "greatest" and crowded:
            continue
        ax.axvline(x, color=COLOURS["soft"], linewidth=0.8, zorder=1)
        ax.annotate(
            printable(name),
            (x, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha=sides.get(name, "center"),
            va="bottom",
            color=COLOURS["ink"],
        )
