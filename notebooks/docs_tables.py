"""The parts of the reference that are written by the program itself."""

from __future__ import annotations

import re
from typing import Any

ALL_COMMANDS = re.compile(r"\*\*Commands\*\*:\n\n(?:\* .*\n)+")


def commands() -> str:
    """Return the commands with their options and examples as Markdown."""
    import typer
    from typer.cli import get_docs_for_click
    from typer.main import get_command

    from limbward.cli.app import app

    command = get_command(app)
    text = get_docs_for_click(obj=command, ctx=typer.Context(command), name="limbward")
    text = ALL_COMMANDS.sub("", text)  # the contents beside the page list them
    text = re.sub(r"^# `limbward`\n", "", text)
    return re.sub(r"^Example: (.*)$", r"Example:\n\n```console\n$ \1\n```", text, flags=re.M)


def config() -> str:
    """Return every section of the config with its keys as Markdown."""
    from limbward.config.loading import json_schema

    schema = json_schema()
    parts, top = [], []
    for key, field in schema["properties"].items():
        model = _model(field, schema)
        if model is None:
            top.append(_row(key, field, key in schema["required"], schema))
        else:
            parts.append(_section(key, model, schema))
    return "\n".join([*_table(top), "", *parts])


def filters() -> str:
    """Return every filter with its parameters as Markdown."""
    from limbward import filters as room

    parts = []
    for name in room.names():
        schema = room.load(name).Params.model_json_schema()
        rows = [_row(k, f, False, schema) for k, f in schema["properties"].items()]
        about = f"{{py:mod}}`limbward.filters.{name}`"
        parts += [f"## `{name}`", "", f"Equation, source and behaviour: {about}.", ""]
        parts += [*_table(rows), ""]
    return "\n".join(parts)


def _section(key: str, model: dict[str, Any], schema: dict[str, Any], depth: int = 2) -> str:
    lines = [f"{'#' * depth} `{key}`", "", model.get("description", "").split("\n\n")[0], ""]
    required = model.get("required", [])
    rows, below = [], []
    for name, field in model.get("properties", {}).items():
        inner = _model(field, schema)
        rows.append(_row(name, field, name in required, schema))
        if inner is not None:
            below.append(_section(f"{key}.{name}", inner, schema, min(depth + 1, 4)))
    return "\n".join([*lines, *_table(rows), "", *below])


def _model(field: dict[str, Any], schema: dict[str, Any]) -> dict[str, Any] | None:
    """Return the model that a key holds, or a list of, if it does."""
    for part in (field, field.get("items", {}), *field.get("anyOf", [])):
        if "$ref" in part:
            found: dict[str, Any] = schema["$defs"][part["$ref"].rsplit("/", 1)[-1]]
            return found if found.get("type") == "object" else None
    return None


def _table(rows: list[str]) -> list[str]:
    return ["| key | takes | default | |", "| --- | --- | --- | --- |", *rows] if rows else []


def _row(name: str, field: dict[str, Any], required: bool, schema: dict[str, Any]) -> str:
    default = "must be given" if required else _value(field.get("default", ""))
    if _model(field, schema) is not None:
        default = "must be given" if required else ""
    words = [f"`{name}`", _kind(field), default, field.get("description", "")]
    return "| " + " | ".join(w.replace("|", "\\|").replace("\n", " ") for w in words) + " |"


def _value(default: Any) -> str:
    if default is None:
        return "null"
    if isinstance(default, str):
        return f"`{default}`" if default else ""
    return f"`{str(default).lower() if isinstance(default, bool) else default}`"


def _kind(field: dict[str, Any]) -> str:
    """Return what a key takes, in words."""
    if "enum" in field:
        return ", ".join(f"`{v}`" for v in field["enum"])
    if "const" in field:
        return f"`{field['const']}`"
    if "anyOf" in field:
        return " or ".join(dict.fromkeys(_kind(part) for part in field["anyOf"]))
    if "$ref" in field:
        return "keys of its own"
    kind = {
        "array": "a list", "boolean": "true or false", "integer": "a whole number",
        "null": "null", "number": "a number", "object": "keys of its own", "string": "text",
    }.get(field.get("type", ""), "")  # fmt: skip
    if field.get("format") in ("date", "date-time"):
        kind = "a date" if field["format"] == "date" else "a date and time"
    low = field.get("minimum", field.get("exclusiveMinimum"))
    high = field.get("maximum", field.get("exclusiveMaximum"))
    if low is not None and high is not None:
        return f"{kind} from {low:g} to {high:g}"
    if low is not None:
        return f"{kind} {'of at least' if 'minimum' in field else 'above'} {low:g}"
    return f"{kind} up to {high:g}" if high is not None else kind
