"""The keys of the config with defaults and descriptions, read from the models.

The command `limbward config` and the documentation both show these.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from limbward.config.root import Config

Json = Mapping[str, Any]  # a part of a JSON Schema


@dataclass(frozen=True)
class Key:
    """A key of a section.

    Attributes
    ----------
    name : str
    takes : str
        What may stand there, in words.
    default : str
        As written in YAML; empty where there is none.
    required : bool
    description : str
    """

    name: str
    takes: str
    default: str
    required: bool
    description: str


@dataclass(frozen=True)
class Group:
    """A section, a group of keys in a section, or a filter.

    Attributes
    ----------
    path : str
        Such as ``timing.references``; empty for the keys outside all sections.
    description : str
    keys : tuple of Key
    """

    path: str
    description: str
    keys: tuple[Key, ...]


def sections() -> Iterator[Group]:
    """Yield the keys outside all sections, then every section followed by the groups in it.

    Examples
    --------
    >>> from limbward.config.keys import sections
    >>> [group.path for group in sections()][:3]
    ['', 'site', 'input']
    """
    schema = Config.model_json_schema()
    required = schema["required"]
    alone, groups = [], []
    for name, field in schema["properties"].items():
        model = _model(field, schema)
        if model is None:
            alone.append(_key(name, field, name in required, schema))
        else:
            groups += list(_groups(name, model, schema, field.get("description")))
    yield Group("", "Keys outside the sections.", tuple(alone))
    yield from groups


def filters() -> Iterator[Group]:
    """Yield every filter with its parameters; the path is its name."""
    # Filters bring scipy and numba, a second of imports.
    room = import_module("limbward.filters")
    for name in room.names():
        module = room.load(name)
        schema = module.Params.model_json_schema()
        keys = tuple(_key(k, f, False, schema) for k, f in schema["properties"].items())
        yield Group(name, str(module.__doc__).split("\n\n")[0].replace("\n", " "), keys)


def _groups(path: str, model: Json, schema: Json, about: str | None = None) -> Iterator[Group]:
    required = model.get("required", [])
    keys, below = [], []
    for name, field in model.get("properties", {}).items():
        keys.append(_key(name, field, name in required, schema))
        inner = _model(field, schema)
        if inner is not None:
            below += list(_groups(f"{path}.{name}", inner, schema))
    text = about or model.get("description", "").split("\n\n")[0]
    yield Group(path, text.replace("\n", " "), tuple(keys))
    yield from below


def _model(field: Json, schema: Json) -> Json | None:
    """Return the model that a key holds, or a list of, if it does."""
    for part in (field, field.get("items", {}), *field.get("anyOf", [])):
        if "$ref" in part:
            found: Json = schema["$defs"][part["$ref"].rsplit("/", 1)[-1]]
            return found if found.get("type") == "object" else None
    return None


def _key(name: str, field: Json, required: bool, schema: Json) -> Key:
    group = _model(field, schema) is not None
    default = "" if required or "default" not in field else _yaml(field["default"])
    if group and default != "null":  # what the group's keys say
        default = ""
    return Key(name, takes(field), default, required, field.get("description", ""))


def _yaml(default: Any) -> str:
    if default is None:
        return "null"
    if isinstance(default, str):
        return default or '""'
    if isinstance(default, list):
        return f"[{', '.join(map(_yaml, default))}]"
    return str(default).lower() if isinstance(default, bool) else f"{default}"


def takes(field: Json) -> str:
    """Return what a key takes, in words.

    Parameters
    ----------
    field : mapping
        The key's JSON Schema.

    Examples
    --------
    >>> from limbward.config.keys import takes
    >>> takes({"type": "number", "exclusiveMinimum": 0, "maximum": 50})
    'a number above 0, at most 50'
    """
    if "enum" in field:
        return _or([str(v) for v in field["enum"]])
    if "const" in field:
        return str(field["const"])
    if "anyOf" in field:
        choices = [c for p in field["anyOf"] for c in p.get("enum", [takes(p)])]
        return _or(list(dict.fromkeys(choices)))
    if "$ref" in field:
        return "a group of keys"
    if field.get("type") == "array":
        items = field.get("items", {})
        return "a list of groups of keys" if "$ref" in items else "a list"
    kind = {
        "boolean": "true or false", "integer": "a whole number", "null": "null",
        "number": "a number", "object": "a group of keys", "string": "text",
    }.get(field.get("type", ""), "")  # fmt: skip
    if field.get("format") in ("date", "date-time"):
        kind = "a date" if field["format"] == "date" else "a date and time"
    return kind + _bounds(field)


def _bounds(field: Json) -> str:
    if "minimum" in field and "maximum" in field:
        return f" from {field['minimum']:g} to {field['maximum']:g}"
    words = (
        ("minimum", "at least"), ("exclusiveMinimum", "above"),
        ("maximum", "at most"), ("exclusiveMaximum", "below"),
    )  # fmt: skip
    told = [f"{word} {field[name]:g}" for name, word in words if name in field]
    return f" {', '.join(told)}" if told else ""


def _or(choices: list[str]) -> str:
    *first, last = choices
    return f"{', '.join(first)} or {last}" if first else last
