"""What the commands print: contact times as tables, and JSON."""

from __future__ import annotations

import json
import sys
import textwrap
from datetime import datetime, timedelta
from typing import Any

from rich.console import Console
from rich.table import Table

from limbward.sky.caution import caution
from limbward.sky.wording import (
    bead_alone,
    bead_valley,
    bead_words,
    contacts_heading,
    covering_words,
    light_returns_earlier,
    uneven_limb,
)

ANGLES = (
    "P and V: where on the Sun's limb the Moon touches it (at greatest eclipse, where\n"
    "the Moon's centre lies), in degrees from celestial north (P) and from the zenith\n"
    "(V), through east: anticlockwise as the eye sees it."
)

LIMBS = (
    "The real limb has the Moon's relief, and the Sun's size as measured at eclipses. The other\n"
    "table is for a smooth Moon and the Sun's size in published tables. Times of the real limb\n"
    "are good to a few tenths of a second; near the edge of the path 100 m can be a second."
)


def print_json(value: Any) -> None:
    """Print one JSON object, in ASCII where the output's encoding is not of Unicode."""
    narrow = not (sys.stdout.encoding or "").lower().startswith("utf")
    print(json.dumps(value, indent=2, ensure_ascii=narrow, allow_nan=False))


def print_contacts(circumstances: dict[str, Any]) -> None:
    """Print an eclipse's contacts, as in contacts.json, with what a reader has to know."""
    print(contacts_heading(circumstances))
    if circumstances["contacts"]:
        console = Console(highlight=False, soft_wrap=True)
        tables = [contacts_table(circumstances)]
        by, limb = uneven_limb(circumstances)
        if by:
            tables.append(beads_table(by, limb, circumstances["kind"]))
        if light_returns_earlier(circumstances):  # the earlier C3 is the one to be read first
            tables.reverse()
        for table in tables:
            console.print(table)
        print(ANGLES)
        if "real_limb" in circumstances:
            print(LIMBS)
        if "limb_note" in circumstances:
            print(textwrap.fill(circumstances["limb_note"], 80))
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


def beads_table(by: str, limb: dict[str, Any], kind: str) -> Table:
    """Return C2, C3 and the beads by an uneven limb as a table; see `uneven_limb`."""
    words = covering_words(kind)
    rows = [(limb[name], f"{name}: {words[name]}", "", "", "") for name in words if name in limb]
    for bead in limb["beads"]:
        does = bead_words(kind, bead["contact"])
        angle = f"{bead['position_angle']:.1f}°"
        rows.append((bead["utc"], f"a bead {does}", angle, bead_alone(bead), bead_valley(bead)))
    # Only of the real limb more is known of a bead than its place.
    headings = ("UTC", "P", "alone", "valley") if any(row[-1] for row in rows) else ("UTC", "P")
    table = Table(f"by {by}", *headings, box=None, pad_edge=False)
    if "C2" not in limb:
        table.add_row(words[""])
    for utc, what, *more in sorted(rows):
        # The day stands in the other table; without it, all fits into 80 columns.
        table.add_row(what, _to_tenth(utc)[11:], *more[: len(headings) - 1])
    return table


def _to_tenth(utc: str) -> str:
    """Return an ISO time rounded to 0.1 s, without the Z."""
    rounded = datetime.fromisoformat(utc) + timedelta(milliseconds=50)
    return rounded.strftime("%Y-%m-%d %H:%M:%S.%f")[:21]
