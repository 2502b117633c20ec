"""The commands about what a config can hold: its keys for people, its schema for editors."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Annotated

import typer

from limbward.cli.options import Command
from limbward.errors import ConfigError

# What a command needs is imported inside it: --help should not wait for it.
if TYPE_CHECKING:
    from limbward.config.keys import Group

WIDTH = 100  # columns of text


def add_keys(app: typer.Typer) -> None:
    """Add the commands."""
    app.command(cls=Command, epilog="Example: limbward config timing")(config)
    app.command(cls=Command, epilog="Example: limbward schema > limbward.schema.json")(schema)


def config(
    section: Annotated[
        str | None, typer.Argument(metavar="SECTION", help="One section, such as timing.")
    ] = None,
) -> None:
    """Print the keys of the config and what they do.

    With enhance, print the filters and their parameters too.
    """
    from limbward.config.keys import filters, sections

    groups = list(sections())
    if section is not None:
        groups = _chosen(section, groups)
        if section == "enhance":
            groups += filters()
    print("\n\n".join(map(_told, groups)))


def schema() -> None:
    """Print the JSON Schema of a config, for editors."""
    from limbward.cli.printing import print_json
    from limbward.config.loading import json_schema

    print_json(json_schema())


def _chosen(section: str, groups: list[Group]) -> list[Group]:
    """Return a section's groups, or the keys outside all sections if it is one of those."""
    found = [g for g in groups[1:] if g.path == section or g.path.startswith(f"{section}.")]
    if found:
        return found
    if section in {key.name for key in groups[0].keys}:
        return groups[:1]
    from difflib import get_close_matches

    names = [g.path for g in groups if g.path] + [key.name for key in groups[0].keys]
    near = get_close_matches(section.lower(), names, 1)
    hint = f"Did you mean {near[0]}?" if near else f"There are {', '.join(names)}."
    raise ConfigError(f"The config has no section {section!r}. {hint}")


def _told(group: Group) -> str:
    """Return a group as text: its name, then each key with its default and what it does."""
    heading = f"{group.path}: {group.description}" if group.path else group.description
    lines = textwrap.wrap(heading, WIDTH)
    for key in group.keys:
        default = "must be given" if key.required else f"default {key.default}"
        told = f"; {default}" if key.required or key.default else ""
        lines += textwrap.wrap(
            f"{key.name}  ({key.takes}{told})",
            WIDTH,
            initial_indent="  ",
            subsequent_indent=" " * 6,
        )
        lines += textwrap.wrap(
            key.description, WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 6
        )
    return "\n".join(lines)
