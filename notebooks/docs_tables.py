"""The pages of the reference that tell what the program knows of itself.

``python notebooks/docs_tables.py`` writes them anew; a test fails while they differ.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from limbward.config.keys import Group, Key
from limbward.sky.caution import GENERAL

HERE = Path(__file__).parent
ALL_COMMANDS = re.compile(r"\*\*Commands\*\*:\n\n(?:\* .*\n)+")
MARK = "<!-- From here on by docs_tables.py -->\n"


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
    text = re.sub(r"\n{3,}", "\n\n", text)
    return re.sub(r"^Example: (.*)$", r"Example:\n\n```console\n$ \1\n```", text, flags=re.M)


def config() -> str:
    """Return every section of the config with its keys as Markdown."""
    from limbward.config.keys import sections

    return f"{_tables(sections())}\n## Cautions\n\n{GENERAL}\n"


def filters() -> str:
    """Return every filter with its parameters as Markdown."""
    from limbward.config.keys import filters as groups

    return _tables(groups())


def _tables(groups: Iterable[Group]) -> str:
    return "\n".join(_table(group) for group in groups)


def _table(group: Group) -> str:
    heading = f"`{group.path}`" if group.path else "Outside all sections"
    lines = [f"{'#' * min(2 + group.path.count('.'), 4)} {heading}", "", group.description, ""]
    lines += ["| key | takes | default | what it does |", "| --- | --- | --- | --- |"]
    return "\n".join([*lines, *map(_row, group.keys), ""])


def _row(key: Key) -> str:
    default = "must be given" if key.required else f"`{key.default}`" if key.default else ""
    cells = [f"`{key.name}`", key.takes, default, key.description]
    return "| " + " | ".join(w.replace("|", "\\|").replace("\n", " ") for w in cells) + " |"


def page(name: str, text: str) -> str:
    """Return a page with what stands above the mark kept, and ``text`` below it."""
    above = (HERE / name).read_text(encoding="utf-8").partition(MARK)[0]
    return f"{above.rstrip()}\n\n{MARK}\n{text.strip()}\n"


def pages() -> dict[str, str]:
    """Return the pages, as they should be, by the names of their files."""
    made = {"commands.md": commands(), "config.md": config(), "filters.md": filters()}
    return {name: page(name, text) for name, text in made.items()}


if __name__ == "__main__":
    for file, told in pages().items():
        (HERE / file).write_text(told, encoding="utf-8")
