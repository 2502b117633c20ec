"""An eclipse at a site in words; see contacts.json."""

from __future__ import annotations

from datetime import datetime
from typing import Any


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


def _degrees(value: float, signs: str) -> str:
    return f"{abs(value):.4f}° {signs[0] if value >= 0 else signs[1]}"
