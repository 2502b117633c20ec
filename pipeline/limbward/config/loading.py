"""Reading a config file: every mistake at once, each with its line and what to do about it."""

from __future__ import annotations

import difflib
import types
from collections.abc import Iterator, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from limbward.config import Config, StepConfig, bind
from limbward.config.renamed import FILTERS, KEYS, MOVED, PARAMETERS
from limbward.config.yaml_source import Location, key_path, read_text, source_of
from limbward.errors import ConfigError

SMALLEST = "site, eclipse and input"
NUMBERS: dict[Location, str] = {  # which people write with a unit or a point of the compass
    ("site", "latitude"): "a number of decimal degrees, south negative",
    ("site", "longitude"): "a number of decimal degrees, west negative",
    ("site", "height"): "a number of metres, without the unit",
}
Model = TypeVar("Model", bound=BaseModel)
# An error as pydantic reports it.
Detail = Mapping[str, Any]


def load_config(path: str | Path) -> Config:
    """Read and validate a config file.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Config
        Its relative paths start at the file's folder.

    Raises
    ------
    ConfigError
        With one line for each mistake: ``file:line: key.path: sentence``.
    """
    name = str(path)
    path = Path(path).expanduser()
    return read_config(read_text(path, name), name, path.parent)


def read_config(text: str, name: str, folder: Path) -> Config:
    """Validate the text of a config file.

    Parameters
    ----------
    text : str
    name : str
        The file as messages call it.
    folder : Path
        At which relative paths start.

    Raises
    ------
    ConfigError
        As `load_config`.
    """
    config, places = validated(text, name, Config, SMALLEST)
    return bind(config, folder, places)


def validated(
    text: str, name: str, model: type[Model], smallest: str
) -> tuple[Model, dict[Location, str]]:
    """Return a YAML text as a model, and the ``file:line`` of its keys.

    Parameters
    ----------
    text : str
    name : str
        The file as messages call it.
    model : type
    smallest : str
        The keys that have to be there, in words.

    Raises
    ------
    ConfigError
        As `load_config`.
    """
    source = source_of(text, name)
    if source.value is None and not source.problems:
        raise ConfigError(f"{name}:1: the file is empty; it needs {smallest}.")
    found = list(source.problems)
    refused = {location for _, location, _ in found}
    config = None
    try:
        config = model.model_validate(source.value)
    except ValidationError as error:
        for location, told in sentences_of(error.errors(), model):
            if location not in refused:
                found.append((_line(source.lines, location), location, told))
    if found or config is None:
        lines = []
        for line, location, told in sorted(found, key=lambda p: (p[0], str(p[1]))):
            where = f"{key_path(location)}: " if location else ""
            lines.append(f"{name}:{line}: {where}{told}")
        raise ConfigError("\n".join(lines))
    return config, {location: f"{name}:{line}" for location, line in source.lines.items()}


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of a config file, the parameters of every filter included."""
    schema = Config.model_json_schema()
    filters = import_module("limbward.filters")
    definitions = schema["$defs"]
    kinds = []
    for name in sorted(filters.names()):
        params = filters.load(name).Params.model_json_schema(
            ref_template="#/$defs/" + name + ".{model}"
        )
        for inner, definition in params.pop("$defs", {}).items():
            definitions[f"{name}.{inner}"] = definition
        params["properties"] = {"filter": {"const": name}, **params.get("properties", {})}
        params["required"] = ["filter", *params.get("required", [])]
        params["title"] = name
        kinds.append(params)
    step = definitions[StepConfig.__name__]
    definitions[StepConfig.__name__] = {"description": step["description"], "anyOf": kinds}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _line(lines: Mapping[Location, int], location: Location) -> int:
    """Return the line of a key, or of the nearest enclosing one that is in the file."""
    while location not in lines:
        location = location[:-1]
    return lines[location]


def sentences_of(
    errors: list[Any], model: type[BaseModel], prefix: Location = ()
) -> Iterator[tuple[Location, str]]:
    """Yield location and sentence of each of pydantic's errors, found in a model."""
    for error in errors:
        here = prefix + tuple(error["loc"])
        context = error.get("ctx", {})
        if error["type"] == "located":
            yield from ((here + location, f"{text}.") for location, text in context["problems"])
        elif error["type"] == "filter_params":
            yield from sentences_of(context["errors"], context["model"], here)
        elif error["type"] == "unknown_filter":
            given = error["input"]["filter"]
            if given in FILTERS:
                yield (*here, "filter"), _renamed(FILTERS[given])
                continue
            yield (*here, "filter"), _unknown("filter", given, context["names"])
        else:
            yield here, sentence(error, model)


def sentence(error: Detail, model: type[BaseModel]) -> str:
    """Return one of pydantic's errors in plain words.

    Parameters
    ----------
    error : mapping
        One of ``ValidationError.errors()``.
    model : type
        The model that was validated.
    """
    kind, given, context = error["type"], error["input"], error.get("ctx", {})
    location = tuple(error["loc"])
    if kind == "extra_forbidden":
        owner = _model_at(model, location[:-1])
        if model is Config and key_path(location) in KEYS:
            return _renamed(KEYS[key_path(location)])
        if model is Config and key_path(location) in MOVED:
            return MOVED[key_path(location)]
        # The parameters of a filter are a class of its module.
        parameter = f"{model.__module__.rsplit('.', 1)[-1]}.{location[-1]}"
        if parameter in PARAMETERS:
            return PARAMETERS[parameter]
        return _unknown("key", str(location[-1]), list(owner.model_fields) if owner else [], model)
    if kind == "missing":
        owner = _model_at(model, location[:-1])
        field = owner.model_fields.get(str(location[-1])) if owner else None
        about = f" ({field.description.rstrip('.')})" if field and field.description else ""
        return f"is missing{about}."
    if kind == "literal_error":
        # pydantic gives the choices as one text: 'a', 'b' or 'c'
        choices = [c.strip("' ") for c in context["expected"].replace(" or ", ", ").split(",")]
        nearest = difflib.get_close_matches(str(given), choices, 1)
        hint = f"; did you mean {nearest[0]!r}?" if nearest else "."
        return f"should be {context['expected']}, but is {_shown(given)}{hint}"
    limits = {
        "greater_than_equal": "at least {ge}",
        "greater_than": "more than {gt}",
        "less_than_equal": "at most {le}",
        "less_than": "less than {lt}",
    }
    if kind in limits:
        return f"should be {limits[kind].format_map(context)}, but is {given}."
    if kind == "too_short":
        return "needs at least one item."
    wanted = {
        "float_type": "a number",
        "int_type": "a whole number",
        "int_from_float": "a whole number",
        "finite_number": "a finite number",
        "bool_type": "true or false",
        "string_type": "text (put it in quotes)",
        "list_type": "a list, such as [a, b]",
        "model_type": "a group of keys, such as {key: value}",
        "model_attributes_type": "a group of keys, such as {key: value}",
        "dict_type": "a group of keys, such as {key: value}",
        "string_pattern_mismatch": "letters, digits, '-' and '_' only",
        "string_too_short": "text that is not empty",
    }
    if kind == "float_type" and location in NUMBERS:
        return f"should be {NUMBERS[location]}, but is {_shown(given)}."
    if kind in wanted:
        return f"should be {wanted[kind]}, but is {_shown(given)}."
    # Our own sentences, and whatever a filter's parameters may add.
    return f"{error['msg'].removeprefix('Value error, ')}."


def _shown(value: object) -> str:
    """Return a value and, where it matters, what YAML took it for."""
    if value is None:
        return "empty"
    if isinstance(value, bool):
        return f"the truth value {str(value).lower()}"
    if isinstance(value, str):
        return f"the text {value[:60]!r}" if value else "empty text"
    if isinstance(value, int | float):
        return f"the number {value}"
    return "a list" if isinstance(value, list) else "a group of keys"


def _renamed(new: str) -> str:
    return f"was renamed; write {new!r}."


def _unknown(what: str, given: str, known: list[str], model: type[BaseModel] | None = None) -> str:
    """Return the sentence for a name that does not exist, naming the nearest that does."""
    nearest = difflib.get_close_matches(given.lower(), known, 1, cutoff=0.6)
    if not nearest and model is not None:
        # The right key in the wrong place: latitude beside site instead of inside it.
        everywhere = {path.rsplit(".", 1)[-1]: path for path in _all_keys(model)}
        close = difflib.get_close_matches(given.lower(), list(everywhere), 1, cutoff=0.8)
        nearest = [everywhere[name] for name in close]
    if nearest:
        return f"unknown {what}; did you mean {nearest[0]!r}?"
    listed = ", ".join(known)
    return f"unknown {what}; choose from {listed}." if known else f"unknown {what}."


def _inner_model(annotation: Any) -> type[BaseModel] | None:
    """Return the model in ``X``, ``list[X]`` or ``X | None``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if get_origin(annotation) in (list, Union, types.UnionType):
        return next(filter(None, map(_inner_model, get_args(annotation))), None)
    return None


def _model_at(model: type[BaseModel], location: Location) -> type[BaseModel] | None:
    """Return the model of the keys at a location."""
    current: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, str) and current is not None:
            field = current.model_fields.get(part)
            current = _inner_model(field.annotation) if field else None
    return current


def _all_keys(model: type[BaseModel], prefix: str = "") -> Iterator[str]:
    """Yield the dotted path of every key below a model."""
    for name, field in model.model_fields.items():
        yield prefix + name
        inner = _inner_model(field.annotation)
        if inner is not None:
            yield from _all_keys(inner, f"{prefix}{name}.")
