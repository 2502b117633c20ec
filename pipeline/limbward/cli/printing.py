"""What the commands print: contact times as tables, and JSON."""

from __future__ import annotations

import json
import textwrap
from datetime import datetime, timedelta
from typing import Any

from rich.console import Console
from rich.table import Table

from limbward.sky.caution import caution
from limbward.sky.wording import contacts_heading, light_returns_earlier

ANGLES = (
    "P and V: where on the Sun's limb the Moon touches it (at greatest eclipse, where\n"
    "the Moon's centre lies), in degrees from celestial north (P) and from the zenith\n"
    "(V), through east: anticlockwise as the eye sees it."
)

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


def _to_tenth(utc: str) -> str:
    """Return an ISO time rounded to 0.1 s, without the Z."""
    rounded = datetime.fromisoformat(utc) + timedelta(milliseconds=50)
    return rounded.strftime("%Y-%m-%d %H:%M:%S.%f")[:21]
