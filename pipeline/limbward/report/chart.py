"""A plot as numbers, drawn still by `static` and for people to explore by charts.js.

charts.js draws with uPlot, picked since it is small (51 kB; the next larger ones come to a
megabyte in each report), kept up, and runs under a policy that forbids eval and styles in elements.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

from limbward.report.wording import printable

DIGITS = 7  # of coordinates; a timeline counts its seconds from its own beginning


@dataclass(frozen=True)
class Axis:
    """One side of a chart.

    Attributes
    ----------
    label : str
    low, high : float
        What is seen before anyone zooms.
    kind : str
        ``linear``, ``log``, ``exposure`` (logarithmic, seconds written as on a camera), ``time``
        (seconds after ``begin``), ``angle`` (degrees, which may run beyond 0 and 360) or ``names``
        (0, 1, 2 and so on are called by ``names``).
    begin : float
        Seconds since 1970, UTC.
    down : bool
        Whether large values stand at the bottom.
    """

    label: str
    low: float
    high: float
    kind: str = "linear"
    names: Sequence[str] = ()
    begin: float = 0.0
    down: bool = False


@dataclass(frozen=True)
class Series:
    """What shares a colour.

    Attributes
    ----------
    name : str
        In the key; empty is not listed there.
    colour : str
        One of the style sheet's.
    y : sequence of float
        A value for each of the chart's ``x``, NaN for none.
    draw : str
        ``marks``, ``line``, ``dashes``, ``dots``, ``steps``, ``bar`` (a thick line) or ``edge``
        (of a band: two that follow each other bound it, the upper one first).
    mark : str
        Shape of the marks, in matplotlib's letters; a capital H before it leaves them hollow.
    """

    name: str
    colour: str
    y: Sequence[float]
    draw: str = "marks"
    mark: str = "o"


@dataclass(frozen=True)
class Outline:
    """A line under the marks that is no series: where the sensor ends, how the Sun moved.

    Attributes
    ----------
    points : sequence of (float, float)
    colour, fill : str
        Of the style sheet's; without ``fill`` it is only a line.
    """

    points: Sequence[tuple[float, float]]
    colour: str = "line"
    fill: str = ""


@dataclass(frozen=True)
class Chart:
    """A chart.

    Attributes
    ----------
    title : str
        What it shows, for those who do not see it.
    x, y : Axis
    at : sequence of float
        Where the points are along x, ascending.
    series : sequence of Series
    texts : sequence of str
        What each point is, shown where the pointer rests.
    frames : sequence of int
        The frame that each point stands for, empty if they are none.
    rules : sequence of (float, str)
        Upright lines with their names.
    shades : sequence of (float, float)
        Parts of x with a darker ground.
    outlines : sequence of Outline
    equal : bool
        Whether a unit is as long in y as in x.
    heading : str
        Written above it.
    height, gutter : int
        Of the whole, and the width of the part that holds the numbers of y; CSS pixels.
    """

    title: str
    x: Axis
    y: Axis
    at: Sequence[float]
    series: Sequence[Series]
    texts: Sequence[str]
    frames: Sequence[int] = ()
    rules: Sequence[tuple[float, str]] = ()
    shades: Sequence[tuple[float, float]] = ()
    outlines: Sequence[Outline] = ()
    equal: bool = False
    heading: str = ""
    height: int = 300
    gutter: int = 64

    def to_json(self) -> str:
        """Return the chart for report.js."""
        return json.dumps(
            {
                "title": printable(self.title),
                "x": _axis(self.x),
                "y": _axis(self.y),
                "at": [_short(v) for v in self.at],
                "series": [
                    {
                        "name": printable(s.name),
                        "colour": s.colour,
                        "draw": s.draw,
                        "mark": s.mark,
                        "y": [_short(v) for v in s.y],
                    }
                    for s in self.series
                ],
                "texts": [printable(t) for t in self.texts],
                "frames": list(self.frames),
                "rules": [[_short(v), name] for v, name in self.rules],
                "shades": [[_short(a), _short(b)] for a, b in self.shades],
                "outlines": [
                    {
                        "points": [[_short(x), _short(y)] for x, y in o.points],
                        "colour": o.colour,
                        "fill": o.fill,
                    }
                    for o in self.outlines
                ],
                "equal": self.equal,
                "height": self.height,
                "gutter": self.gutter,
            },
            allow_nan=False,
            ensure_ascii=False,
            separators=(",", ":"),
        )


def _axis(axis: Axis) -> dict[str, object]:
    return {
        "label": axis.label,
        "low": axis.low,
        "high": axis.high,
        "kind": axis.kind,
        "names": [printable(n) for n in axis.names],
        "begin": axis.begin,
        "down": axis.down,
    }


def _short(value: float) -> float | None:
    """Return a number with few digits, None for one that is not known."""
    return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None
