"""Changing keys of a config file: comments, order and spelling of all the rest stay.

ruamel.yaml's round trip does the work, since it keeps comments. What it spells otherwise than the
file did (the indent of a list, say) is left as the file has it, line by line, where the change does
not touch it.
"""

from __future__ import annotations

import difflib
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.util import load_yaml_guess_indent

from limbward.config.yaml_source import Location, key_path, read_text, source_of
from limbward.errors import ConfigError

WIDTH = 100_000  # no line of the file is folded


class _Remove:
    """The value of a key that is to go."""


REMOVE = _Remove()
Changes = Mapping[Location, Any]


def edited(text: str, changes: Changes, name: str = "the config") -> str:
    r"""Return the text of a config with other values.

    Parameters
    ----------
    text : str
        Valid YAML.
    changes : mapping of Location to Any
        The new plain value at each place; `REMOVE` takes a key or list item out. Sections that are
        not there are made; a list grows by an item whose number is its length. What is the same
        within a group of keys keeps its place and its comments.
    name : str
        The file as messages call it.

    Raises
    ------
    ConfigError
        If the values cannot be changed without others: where one is written once and used twice.

    Examples
    --------
    >>> print(edited("site: {latitude: 65.0}  # home\n", {("site", "latitude"): 64.5}), end="")
    site: {latitude: 64.5}  # home
    """
    crlf = "\r\n" in text
    plain = text.replace("\r\n", "\n")
    yaml = _writer(plain)
    before = _dump(yaml, yaml.load(plain))
    root = yaml.load(plain)
    if root is None:
        root = CommentedMap()
    _put_all(root, changes)
    after = _merged(plain, before, _dump(yaml, root))
    wanted = source_of(plain, name).value or {}
    _put_all(wanted, changes)
    if source_of(after, name).value != wanted:
        places = ", ".join(key_path(location) for location in changes)
        raise ConfigError(
            f"{name}: {places} cannot be changed here without changing other keys, since the file "
            "uses one value in several places (& and *); change it in an editor."
        )
    return after.replace("\n", "\r\n") if crlf else after


def edit_file(path: Path, changes: Changes) -> str:
    """Return the text that a config file would have with other values; see `edited`.

    Raises
    ------
    ConfigError
        If it cannot be read or changed.
    """
    return edited(read_text(path, str(path)), changes, str(path))


def _put_all(root: Any, changes: Changes) -> None:
    """Change values in a tree of mappings and lists, in place and in the order given."""
    gone = [location for location, value in changes.items() if isinstance(value, _Remove)]
    for location, value in changes.items():
        if location not in gone:
            _put(root, location, value)
    # Items are taken out from the end, or the numbers of those behind would change.
    for location in sorted(gone, key=_taken_last, reverse=True):
        _put(root, location, REMOVE)


def _taken_last(location: Location) -> tuple[tuple[bool, str | int], ...]:
    return tuple((isinstance(part, int), part) for part in location)


def _writer(text: str) -> YAML:
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = WIDTH
    try:
        _, indent, offset = load_yaml_guess_indent(text)
    except Exception:  # a guess, of a library that stumbles over odd files; the usual will do
        indent, offset = None, None
    if indent is None or offset is None:  # no list but in one line
        yaml.indent(mapping=2, sequence=4, offset=2)
    elif indent > offset:
        yaml.indent(
            mapping=max(indent - offset, 2), sequence=max(indent, offset + 2), offset=offset
        )
    return yaml


def _dump(yaml: YAML, value: Any) -> str:
    stream = io.StringIO()
    yaml.dump(value, stream)
    return stream.getvalue()


def _merged(text: str, before: str, after: str) -> str:
    """Return a text with the lines changed that differ between two spellings of it."""
    own, old, new = (t.splitlines(keepends=True) for t in (text, before, after))
    if len(own) != len(old):  # lines do not answer to each other
        return after
    out: list[str] = []
    matcher = difflib.SequenceMatcher(None, old, new, autojunk=False)
    for tag, i1, i2, j1, j2 in matcher.get_opcodes():
        gap: list[str] = []
        while tag == "insert" and out and not out[-1].strip():
            gap.append(out.pop())  # ruamel counts the empty lines to what stands before them
        out += own[i1:i2] if tag == "equal" else new[j1:j2]
        out += gap
    return "".join(out)


def _put(root: Any, location: Location, value: Any) -> None:
    """Change a value in a tree of mappings and lists, in place."""
    at: Any = root
    last: Any = location[-1]
    for i, part in enumerate(location[:-1]):
        if isinstance(at, dict) and at.get(part) is None:
            kind: Any = list if isinstance(location[i + 1], int) else dict
            at[part] = _like(at, kind())
        elif isinstance(at, list) and part == len(at):
            at.append(_like(at, {}))
        at = at[part]
    if isinstance(value, _Remove):
        if isinstance(at, list) or last in at:
            del at[last]
    elif isinstance(at, list) and last == len(at):
        at.append(_like(at, value))
    elif isinstance(at, dict) and last not in at:
        at[last] = _like(at, value)
    else:
        at[last] = _updated(at[last], value)


def _updated(old: Any, new: Any) -> Any:
    """Return a new value, in the old one's place and with its comments where they are alike."""
    if isinstance(old, dict) and isinstance(new, Mapping):
        for key in [k for k in old if k not in new]:
            del old[key]
        for key, value in new.items():
            old[key] = _updated(old[key], value) if key in old else _like(old, value)
        return old
    if isinstance(old, list) and isinstance(new, Sequence) and not isinstance(new, str):
        del old[len(new) :]
        for i, value in enumerate(new):
            if i < len(old):
                old[i] = _updated(old[i], value)
            else:
                old.append(_like(old, value))
        return old
    same = type(old) is type(new) or (isinstance(old, int | float) and isinstance(new, int | float))
    if same and old == new and not isinstance(new, bool) and not isinstance(old, bool):
        return old  # 0.10 stays 0.10
    return _like(None, new)


def _like(parent: Any, value: Any) -> Any:
    """Return a plain value as what ruamel writes: short groups and lists in one line."""
    if not isinstance(parent, CommentedMap | CommentedSeq) and parent is not None:
        return value
    if isinstance(value, Mapping):
        made = CommentedMap()
        for key, inner in value.items():
            made[key] = _like(made, inner)
        if value and not any(isinstance(v, Mapping | list | tuple) for v in value.values()):
            made.fa.set_flow_style()
        return made
    if isinstance(value, list | tuple):
        items = CommentedSeq(_like(CommentedSeq(), inner) for inner in value)
        if value and not any(isinstance(v, Mapping | list | tuple) for v in value):
            items.fa.set_flow_style()
        return items
    return value
