"""YAML as plain values that remember their lines: nothing is constructed, everything is bounded."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from limbward.config.yaml_trouble import explain
from limbward.errors import ConfigError

MAX_BYTES = 1_000_000  # a long config has 10 kB
MAX_VALUES = 20_000  # after aliases are expanded
TAG = "tag:yaml.org,2002:"

# A place in a document: keys and list indices from the top.
Location = tuple[str | int, ...]


def key_path(location: Location) -> str:
    """Return a location as written in messages: ``input.cards[0]``."""
    text = ""
    for part in location:
        if isinstance(part, int):
            text += f"[{part}]"
        else:  # a key may hold anything, line ends included
            shown = part if part and part.isprintable() else repr(part)
            text += f".{shown}" if text else shown
    return text


@dataclass
class Source:
    """A YAML document.

    Attributes
    ----------
    value : Any
        dict, list, str, int, float, bool or None; dates and times stay text.
    lines : dict
        Line (from 1) of the key or list item at each location; ``()`` is the document.
    problems : list of (line, location, sentence)
        What was wrong but did not hinder reading on, such as a key given twice.
    """

    value: Any = None
    lines: dict[Location, int] = field(default_factory=dict)
    problems: list[tuple[int, Location, str]] = field(default_factory=list)


def read_text(path: Path, name: str) -> str:
    """Return the text of a config file, line ends and all.

    Raises
    ------
    ConfigError
        If the file cannot be read or is no text of reasonable size.
    """
    try:
        if path.is_dir():
            raise ConfigError(f"{name}: this is a folder; give the config file in it.")
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise ConfigError(f"{name}: there is no such file.") from None
    except OSError as error:
        raise ConfigError(f"{name}: cannot be read ({error.strerror}).") from error
    return decoded(data, name)


def decoded(data: bytes, name: str) -> str:
    """Return the bytes of a config file as text.

    Raises
    ------
    ConfigError
        If they are too many, or no UTF-8.
    """
    if len(data) > MAX_BYTES:
        raise ConfigError(f"{name}: longer than {MAX_BYTES} bytes, so not a config.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise ConfigError(f"{name}:{line}: not UTF-8 text; save the file as UTF-8.") from error


def source_of(text: str, name: str) -> Source:
    """Return the plain values in a YAML 1.2 text.

    Raises
    ------
    ConfigError
        If it is not one YAML document of reasonable size.
    """
    yaml = YAML(typ="safe", pure=True)
    try:
        node = yaml.compose(text)
        return _Reader(yaml, name).read(node)
    except MarkedYAMLError as error:
        line, what = explain(error)
        raise ConfigError(f"{name}:{line}: not valid YAML: {what}.") from error
    except RecursionError as error:
        raise ConfigError(f"{name}: nested too deeply to be a config.") from error
    except YAMLError as error:  # of the reader, the only one that knows no line
        raise ConfigError(
            f"{name}: not valid YAML: it contains control characters; write the file again with a "
            "plain text editor."
        ) from error


class _Reader:
    """Turns nodes into plain values, counting them, since an alias may stand for many."""

    def __init__(self, yaml: YAML, name: str) -> None:
        self.yaml = yaml
        self.name = name
        self.source = Source()
        self.count = 0

    def read(self, node: Node | None) -> Source:
        self.source.lines[()] = 1
        if node is not None:
            self.source.lines[()] = node.start_mark.line + 1
            self.source.value = self.convert(node, (), self.source.lines[()])
        return self.source

    def convert(self, node: Node, location: Location, line: int) -> Any:
        self.count += 1
        if self.count > MAX_VALUES:
            raise ConfigError(
                f"{self.name}:{line}: more than {MAX_VALUES} values once aliases are expanded."
            )
        if isinstance(node, MappingNode):
            return self.mapping(node, location)
        if isinstance(node, SequenceNode):
            items = []
            for i, item in enumerate(node.value):
                where = (*location, i)
                self.source.lines[where] = item.start_mark.line + 1
                items.append(self.convert(item, where, self.source.lines[where]))
            return items
        assert isinstance(node, ScalarNode)  # there are three kinds
        return self.scalar(node, location, line)

    def mapping(self, node: MappingNode, location: Location) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for key, value in node.value:
            line = key.start_mark.line + 1
            if not isinstance(key, ScalarNode):
                self.source.problems.append((line, location, "a key must be a word."))
                continue
            where = (*location, str(key.value))
            if key.value in result:
                first = self.source.lines[where]
                self.source.problems.append(
                    (line, where, f"given twice (first on line {first}); keep one.")
                )
                continue
            self.source.lines[where] = line
            result[str(key.value)] = self.convert(value, where, line)
        return result

    def scalar(self, node: ScalarNode, location: Location, line: int) -> Any:
        kind = str(node.tag).removeprefix(TAG)
        if kind in ("str", "timestamp"):
            return str(node.value)
        if kind in ("int", "float", "bool", "null"):
            try:
                return getattr(self.yaml.constructor, f"construct_yaml_{kind}")(node)
            except (ValueError, KeyError):
                pass  # a tag such as !!int before a word
        self.source.problems.append(
            (line, location, f"{node.value!r} cannot be read as {kind!r}; write a plain value.")
        )
        return None
