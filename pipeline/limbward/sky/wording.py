"""An eclipse at a site in words; see contacts.json."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any


def uneven_limb(circumstances: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    """Return what mountains and valleys make of C2 and C3, and by what they are known.

    Parameters
    ----------
    circumstances : mapping
        As in contacts.json.

    Returns
    -------
    str
        ``the limb profile`` (a user's own comes first), ``the real limb``, or nothing.
    dict
        ``C2`` and ``C3`` as UTC where they happen, ``duration_s`` and ``beads``.
    """
    profile, real = circumstances.get("limb_profile"), circumstances.get("real_limb")
    if profile:
        return "the limb profile", profile
    if real:
        return "the real limb", real | {n: real[n]["utc"] for n in ("C2", "C3") if n in real}
    return "", {}


def light_returns_earlier(circumstances: dict[str, Any]) -> bool:
    """Return whether light returns earlier by the uneven limb than by the smooth Moon's C3.

    Only where it goes at all: not in an annular eclipse.
    """
    name, limb = uneven_limb(circumstances)
    if not name or circumstances["kind"] == "annular":
        return False
    if "C3" not in limb:  # it never went
        return True
    smooth = datetime.fromisoformat(circumstances["contacts"]["C3"]["utc"])
    return datetime.fromisoformat(limb["C3"]) < smooth


def covering_words(kind: str) -> dict[str, str]:
    """Return what happens at C2 and C3, and without them (``""``), at an eclipse of some kind."""
    if kind == "annular":
        return {
            "C2": "the ring is whole",
            "C3": "the ring breaks",
            "": "no C2, no C3: the ring is never whole",
        }
    return {
        "C2": "the photosphere vanishes",
        "C3": "the photosphere returns",
        "": "no C2, no C3: the photosphere never vanishes",
    }


def bead_words(kind: str, contact: str) -> str:
    """Return what a bead does at C2 or C3 of an eclipse of some kind."""
    return "goes out" if (contact == "C2") is (kind != "annular") else "appears"


def bead_alone(bead: Mapping[str, Any]) -> str:
    """Return for how long a bead stands alone; empty if that is not known."""
    if bead.get("start") is None or bead.get("end") is None:
        return ""
    start, end = (datetime.fromisoformat(bead[name]) for name in ("start", "end"))
    return f"{(end - start).total_seconds():.1f} s"


def bead_valley(bead: Mapping[str, Any]) -> str:
    """Return the selenographic place of a bead's valley; empty if that is not known."""
    if "selenographic_longitude" not in bead:
        return ""
    latitude, longitude = bead["selenographic_latitude"], bead["selenographic_longitude"]
    return (
        f"{abs(latitude):.1f}° {'N' if latitude >= 0 else 'S'} "
        f"{abs(longitude):.1f}° {'E' if longitude >= 0 else 'W'}"
    )


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
    covered = "" if kind == "total" else f"{100 * circumstances['obscuration']:.1f} % of "
    text += f", {covered or 'all of '}the Sun covered"
    if circumstances.get("duration_s"):
        name = "totality" if kind == "total" else "annularity"
        earlier = light_returns_earlier(circumstances)
        duration = circumstances["duration_s"]
        by, limb = uneven_limb(circumstances)
        if earlier:
            duration = 0.0
            if "C3" in limb:
                second, third = (datetime.fromisoformat(limb[name]) for name in ("C2", "C3"))
                duration = (third - second).total_seconds()
        # Whole seconds, rounded down: totality is not said to be longer than it is.
        minutes, seconds = divmod(int(duration), 60)
        text += f", {name} {minutes} min {seconds} s"
        text += f" by {by}" if earlier else ""
    if circumstances.get("visible") is False:
        text += "; the Sun is below the horizon throughout"
    return text + "."


def _degrees(value: float, signs: str) -> str:
    return f"{abs(value):.4f}° {signs[0] if value >= 0 else signs[1]}"
