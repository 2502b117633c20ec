"""What the commands print for people: contact times and what the camera clocks did."""

from __future__ import annotations

import json
import textwrap
from datetime import datetime, timedelta
from typing import Any

from rich.console import Console
from rich.table import Table

from limbward.sky.caution import caution

ANGLES = (
    "P and V: where on the Sun's limb the Moon touches it (at greatest eclipse, where\n"
    "the Moon's centre lies), in degrees from celestial north (P) and from the zenith\n"
    "(V), through east: anticlockwise as the eye sees it."
)

Clock = dict[str, Any]  # one camera of clock.json

UNMEASURED_DRIFT = 10.0  # s/h; a quartz is never off by that, so such a sigma says nothing
SAID_AT_MOST = 10

_COVERING = (("C2", "vanishes"), ("C3", "returns"))


def print_json(value: Any) -> None:
    """Print one JSON object."""
    print(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def print_contacts(circumstances: dict[str, Any]) -> None:
    """Print an eclipse's contacts, as in contacts.json, with what a reader has to know."""
    print(contacts_heading(circumstances))
    if circumstances["contacts"]:
        console = Console(highlight=False, soft_wrap=True)
        tables = [contacts_table(circumstances)]
        if "limb_profile" in circumstances:
            tables.append(beads_table(circumstances["limb_profile"]))
        if light_returns_earlier(circumstances):  # the earlier C3 is the one to be read first
            tables.reverse()
        for table in tables:
            console.print(table)
        print(ANGLES)
    print("\n" + textwrap.fill(caution(circumstances), 80))


def light_returns_earlier(circumstances: dict[str, Any]) -> bool:
    """Return whether C3 by the limb profile is earlier than that of the smooth Moon."""
    profile = circumstances.get("limb_profile")
    if not profile:
        return False
    smooth = datetime.fromisoformat(circumstances["contacts"]["C3"]["utc"])
    return datetime.fromisoformat(profile["C3"]) < smooth


def contacts_heading(circumstances: dict[str, Any]) -> str:
    """Return the eclipse in a sentence.

    Parameters
    ----------
    circumstances : dict
        As in contacts.json.
    """
    site, date, kind = circumstances["site"], circumstances["date"], circumstances["kind"]
    place = f"{_degrees(site['latitude'], 'NS')} {_degrees(site['longitude'], 'EW')}"
    if site.get("name"):
        place = f"{site['name']} ({place})"
    if kind == "none":
        other = circumstances.get("other_date")
        there_is = f" There is one on {other}." if other else ""
        return f"No eclipse of the Sun on {date} at {place}.{there_is}"
    text = f"{kind.capitalize()} eclipse of {date} at {place}, {site['height']:g} m"
    text += f": magnitude {circumstances['magnitude']:.3f}"
    text += f", {100 * circumstances['obscuration']:.1f} % of the Sun covered"
    if circumstances.get("duration_s"):
        name = "totality" if kind == "total" else "annularity"
        earlier = light_returns_earlier(circumstances)
        duration = circumstances["duration_s"]
        if earlier:
            profile = circumstances["limb_profile"]
            second, third = (datetime.fromisoformat(profile[name]) for name in ("C2", "C3"))
            duration = (third - second).total_seconds()
        # Whole seconds, rounded down: totality is not said to be longer than it is.
        minutes, seconds = divmod(int(duration), 60)
        text += f", {name} {minutes} min {seconds} s"
        text += " by the limb profile" if earlier else ""
    if circumstances.get("visible") is False:
        text += "; the Sun is below the horizon throughout"
    return text + "."


def contacts_table(circumstances: dict[str, Any]) -> Table:
    """Return the contacts as a table; see `contacts_heading`."""
    table = Table("", "UTC", "altitude", "azimuth", "P", "V", box=None, pad_edge=False)
    for name, contact in circumstances["contacts"].items():
        below = "" if contact["altitude"] > 0 else " (below the horizon)"
        table.add_row(
            name,
            _to_tenth(contact["utc"]),
            f"{contact['altitude']:.1f}°{below}",
            *(f"{contact[k]:.1f}°" for k in ("azimuth", "position_angle", "vertex_angle")),
        )
    return table


def beads_table(profile: dict[str, Any]) -> Table:
    """Return C2, C3 and the beads by a limb profile as a table."""
    table = Table("by the limb profile", "UTC", "P", box=None, pad_edge=False)
    rows = [(profile[name], f"{name}: the photosphere {does}", "") for name, does in _COVERING]
    for bead in profile["beads"]:
        does = "goes out" if bead["contact"] == "C2" else "appears"
        rows.append((bead["utc"], f"a bead {does}", f"{bead['position_angle']:.1f}°"))
    for utc, what, angle in sorted(rows):
        table.add_row(what, _to_tenth(utc), angle)
    return table


def clock_verdict(clock: Clock) -> str:
    """Return what a camera's clock did, in a sentence.

    Parameters
    ----------
    clock : dict
        An element of ``cameras`` in clock.json; without uncertainties, none are shown.

    Examples
    --------
    >>> from limbward.cli.printing import clock_verdict
    >>> clock_verdict(
    ...     {
    ...         "camera": "Example One",
    ...         "serial": "12",
    ...         "utc_offset_hours": 3.0,
    ...         "offset_s": -58.31,
    ...         "offset_sigma_s": 0.12,
    ...         "drift_s_per_hour": -2.4,
    ...         "drift_sigma_s_per_hour": 0.3,
    ...     }
    ... )
    'Example One (12): 58.31 ± 0.12 s slow, losing 2.4 ± 0.3 s an hour; zone UTC+3 h'
    """
    if clock["offset_s"] is None:
        return f"{clock_name(clock)}: {clock_error(clock)}"
    drift = clock_drift(clock) or "drift not measured"
    return f"{clock_name(clock)}: {clock_error(clock)}, {drift}; zone {clock_zone(clock)}"


def clock_name(clock: Clock) -> str:
    """Return model and serial number."""
    serial = clock.get("serial")
    return f"{clock['camera']} ({serial})" if serial else f"{clock['camera']}"


def clock_zone(clock: Clock) -> str:
    """Return the zone the clock was set to: ``UTC+3 h``."""
    hours = clock["utc_offset_hours"]
    return "an unknown zone" if hours is None else f"UTC{hours:+g} h" if hours else "UTC"


def clock_error(clock: Clock) -> str:
    """Return by how much the clock was fast or slow."""
    offset = clock["offset_s"]
    if offset is None:
        return "not known"
    value = _measured(abs(offset), clock.get("offset_sigma_s"))
    return f"{value} s {'fast' if offset > 0 else 'slow'}"


def clock_drift(clock: Clock) -> str:
    """Return how the error grew; empty if that was not measured."""
    drift, sigma = clock["drift_s_per_hour"], clock.get("drift_sigma_s_per_hour")
    if drift is None or (sigma is not None and sigma >= UNMEASURED_DRIFT):
        return ""
    return f"{'gaining' if drift > 0 else 'losing'} {_measured(abs(drift), sigma)} s an hour"


def audit_lines(clock: Clock) -> list[str]:
    """Return all that is known of a camera's clock, in short lines."""
    rows = [("clock", clock_error(clock))]
    if clock["offset_s"] is not None:
        rows += [
            ("zone", clock_zone(clock)),
            ("drift", clock_drift(clock) or "not measured"),
            ("frames", f"{clock['frames_used']} used"),
        ]
    elif clock["utc_offset_hours"] is not None:
        rows.append(("zone", f"{clock_zone(clock)}, not checked"))
    lines = [clock_name(clock), *(f"  {name:<8}{value}" for name, value in rows)]
    for row in clock.get("evidence", []):
        if row["frames"]:
            scatter = row.get("scatter_s")
            scattered = "" if scatter is None else f", scatter {scatter:.2f} s"
            lines.append(f"  {row['source']}: {row['used']} of {row['frames']} used{scattered}")
    lines += [f"  {line}" for line in disagreeing_lines(clock)]
    return [*lines, *(f"  warning: {warning}" for warning in clock["warnings"])]


def disagreeing_lines(clock: Clock) -> list[str]:
    """Return where the clock was set, and the frames that disagree with its solution."""
    lines = []
    step = clock.get("step")
    if step:
        lines.append(
            f"the clock was set by {step['seconds']:+.1f} ± {step['sigma_s']:.1f} s between "
            f"{step['after_file']} and {step['before_file']}"
        )
    rows = clock.get("disagreeing", [])
    for row in rows[:SAID_AT_MOST]:
        if row["by_s"] is None and row.get("why"):
            lines.append(f"{row['file']} was not used: {row['why']}")
            continue
        by = "" if row["by_s"] is None else f" by {row['by_s']:+.1f} s"
        lines.append(f"{row['file']} disagrees{by} and was not used")
    if len(rows) > SAID_AT_MOST:
        lines.append(f"{len(rows) - SAID_AT_MOST} more disagree; see clock.json")
    return lines


def _measured(value: float, sigma: float | None) -> str:
    """Return a value to as many places as its uncertainty allows."""
    if sigma is None:
        return f"{value:.1f}"
    places = 0 if sigma >= 10 else 1 if sigma >= 0.25 else 2
    return f"{value:.{places}f} ± {max(sigma, 0.01):.{places}f}"


def _degrees(value: float, signs: str) -> str:
    return f"{abs(value):.4f}° {signs[0] if value >= 0 else signs[1]}"


def _to_tenth(utc: str) -> str:
    """Return an ISO time rounded to 0.1 s, without the Z."""
    rounded = datetime.fromisoformat(utc) + timedelta(milliseconds=50)
    return rounded.strftime("%Y-%m-%d %H:%M:%S.%f")[:21]
