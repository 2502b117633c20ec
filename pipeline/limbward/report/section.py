"""What stands under a heading of the report: sentences, plots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from markupsafe import Markup

from limbward.report.chart import Chart


@dataclass(frozen=True)
class Plot:
    """A drawing with the words below it, and the same as charts to explore.

    Attributes
    ----------
    svg : Markup
        For print, and where no script runs.
    caption : str
    wide : bool
        Scrolled sideways on narrow screens.
    charts : sequence of Chart
        Shown in its place where scripts run; empty if the drawing itself is enough.
    """

    svg: Markup
    caption: str = ""
    wide: bool = False
    charts: Sequence[Chart] = field(default=())


@dataclass(frozen=True)
class Section:
    """What stands under one heading: sentences, then plots."""

    sentences: Sequence[str] = ()
    plots: Sequence[Plot] = field(default=())
