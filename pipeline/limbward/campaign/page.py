"""The report of a campaign: one page with a line for each station."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite
from pathlib import Path
from typing import Any

from markupsafe import Markup

from limbward.report.page import content_security_policy, templates_in

HERE = Path(__file__).parent


def number(value: Any, digits: int = 2, missing: str = "–") -> str:
    """Return a number with so many digits behind the point; a dash where it is not known.

    Examples
    --------
    >>> number(1.23456), number(float("nan")), number(None)
    ('1.23', '–', '–')
    """
    if value is None or not isfinite(value):
        return missing
    return f"{value:.{digits}f}"


def significant(value: Any, missing: str = "–") -> str:
    """Return a number to three digits, whatever its size."""
    return missing if value is None or not isfinite(value) else f"{value:.3g}"


def render(
    *, rows: Sequence[Mapping[str, Any]], summary: Mapping[str, Any], images: Mapping[str, str]
) -> str:
    """Return the page.

    Parameters
    ----------
    rows : sequence of mapping
        Of the stations, as in stations.ecsv.
    summary : mapping
        As ``limbward campaign --json`` prints it.
    images : mapping
        Pictures as data, by the names ``map`` and ``mean``.
    """
    environment = templates_in(HERE)
    environment.filters["number"] = number
    environment.filters["significant"] = significant
    style = (HERE / "campaign.css").read_text(encoding="utf-8")
    columns = ("clock_offset", "clock_sigma", "turn", "turn_sigma", "place_sigma", "gain_g")
    full = [dict.fromkeys((*columns, "gain_g_sigma", "noise", "time_utc")) | dict(r) for r in rows]
    return environment.get_template("campaign.html.j2").render(
        style=Markup(style),
        policy=content_security_policy(style),
        rows=full,
        summary=summary,
        images=images,
    )
