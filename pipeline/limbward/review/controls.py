"""What can be set on the page: made of the config's and the filters' own models."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from limbward import filters
from limbward.config import ComposeConfig
from limbward.config.keys import filters as described

Json = Mapping[str, Any]

# The keys of compose by what they are about, in the order of the page. Titles and authors are
# typed with the exports, crop and detail have tools of their own.
GROUPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Tone", ("brightness", "contrast", "outer", "brightest_lightness", "detail_strength")),
    ("Colour", ("white_balance", "white_mired", "white_tint", "saturation")),
    ("Sky", ("sky_lightness", "level_sky")),
    ("Moon", ("moon_lightness", "earthshine", "limb_px")),
    ("Framing", ("up", "rotation_deg")),
)
WORDS = {
    "brightness": "Brightness",
    "contrast": "Contrast",
    "outer": "Outer corona",
    "brightest_lightness": "Inner corona",
    "detail_strength": "Detail",
    "white_balance": "White",
    "white_mired": "Warmth",
    "white_tint": "Tint",
    "saturation": "Saturation",
    "sky_lightness": "Sky",
    "level_sky": "Level the sky",
    "moon_lightness": "Disc",
    "earthshine": "Earthshine",
    "limb_px": "Softness of the limb",
    "up": "Up",
    "rotation_deg": "Turn",
}
UNITS = {"px": "px", "deg": "°", "radii": "R☉", "mired": "mired"}
BACKWARDS = frozenset({"outer"})  # of which a smaller value brightens
DECADES = 30.0  # a ratio of the bounds beyond which a slider goes by factors
REACH = 20.0  # of the default, where a bound is further away than is of use


def control(name: str, field: Json, default: Any) -> dict[str, Any]:
    """Return how one parameter is set on the page.

    Parameters
    ----------
    name : str
    field : mapping
        Its JSON Schema.
    default : Any

    Returns
    -------
    dict
        ``kind`` is ``number``, ``choice``, ``switch``, ``numbers`` (a list) or ``text``.
    """
    words, unit = WORDS.get(name), ""
    stem, _, last = name.rpartition("_")
    if last in UNITS and stem:
        unit = UNITS[last]
    out: dict[str, Any] = {
        "name": name,
        "label": words or _words(stem if unit else name),
        "unit": unit,
        "help": field.get("description", ""),
        "default": default,
    }
    parts = [field, *field.get("anyOf", [])]
    out["nullable"] = any(part.get("type") == "null" for part in parts)
    for part in parts:
        kind = part.get("type")
        if "enum" in part:
            return out | {"kind": "choice", "choices": part["enum"]}
        if kind == "boolean":
            return out | {"kind": "switch"}
        if kind in ("number", "integer"):
            more = {"backwards": name in BACKWARDS}
            return out | more | _range(part, default, whole=kind == "integer")
        if kind == "array":
            return out | {"kind": "numbers"}
    return out | {"kind": "text"}


def _words(name: str) -> str:
    """Return a parameter's name as words; one letter is a symbol and stays as it is."""
    return name if len(name) == 1 else name.replace("_", " ").capitalize()


def _range(part: Json, default: Any, *, whole: bool) -> dict[str, Any]:
    """Return the range of a slider: what is allowed, less what is of no use."""
    low = part.get("minimum", part.get("exclusiveMinimum"))
    high = part.get("maximum", part.get("exclusiveMaximum"))
    middle = float(default) if isinstance(default, int | float) and default else 1.0
    if high is None or (low is not None and low >= 0 and high > middle * REACH * 2):
        high = middle * REACH if high is None else min(high, middle * REACH)
    if low is None:
        low = -high
    by_factors = low >= 0 and (low == 0 or high / low > DECADES) and "exclusiveMinimum" in part
    by_factors = by_factors or (low > 0 and high / low > DECADES)
    if by_factors and low == 0:
        low = middle / REACH
    elif "exclusiveMinimum" in part and low == part["exclusiveMinimum"]:
        low = low + (high - low) / 1000.0
    step: float = 1.0 if whole else _step(high - low)
    return {
        "kind": "number",
        "min": low,
        "max": high,
        "step": step,
        "by_factors": by_factors and not whole,
        "whole": whole,
    }


def _step(span: float) -> float:
    """Return a round step of about a two-hundredth of a range."""
    power = 10.0 ** math.floor(math.log10(span / 200.0))
    return next(power * k for k in (1, 2, 5, 10) if power * k >= span / 200.0)


def picture_controls() -> list[dict[str, Any]]:
    """Return the groups of controls of the finished picture."""
    schema = ComposeConfig.model_json_schema()["properties"]
    return [
        {
            "title": title,
            "controls": [
                control(name, schema[name], schema[name].get("default")) for name in names
            ],
        }
        for title, names in GROUPS
    ]


def filter_controls() -> list[dict[str, Any]]:
    """Return each filter with what it does and its controls."""
    about = {group.path: group.description for group in described()}
    found = []
    for name in filters.names():
        schema = filters.load(name).Params.model_json_schema()["properties"]
        found.append(
            {
                "name": name,
                "label": name.replace("_", " "),
                "help": about[name],
                "controls": [control(k, f, f.get("default")) for k, f in schema.items()],
            }
        )
    return found
