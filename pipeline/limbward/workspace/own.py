"""Whether a folder is a workspace: a marker in it says so, and nothing else does."""

from __future__ import annotations

import json
import os
import re
import secrets
from pathlib import Path

from limbward.errors import ConfigError, LimbwardError
from limbward.regular import take_place
from limbward.workspace.writing import TEMPORARY, to_json

MARKER = "state/workspace.json"
KIND = "limbward workspace"
IDENTITY = re.compile(r"[0-9a-f]{32}")
LARGEST = 4096  # bytes; a marker has a hundred
LITTER = frozenset((".ds_store", "desktop.ini", "thumbs.db", "lost+found"))
# What a run that was killed before it wrote the marker may have left.
BEFORE_MARKER = frozenset(("lock", "lock.json", "workspace.json"))


def is_workspace(folder: Path) -> bool:
    """Return whether a folder holds a workspace's marker; False where it may not be looked at."""
    try:
        with (folder / MARKER).open("rb") as file:
            told = json.loads(file.read(LARGEST))
    except (OSError, ValueError):
        return False
    if not isinstance(told, dict) or told.get("kind") != KIND:
        return False
    return IDENTITY.fullmatch(str(told.get("id"))) is not None


def owner_of(path: Path) -> Path | None:
    """Return the workspace in which a file lies or would lie, None if it lies in none."""
    real = Path(os.path.realpath(path))
    return next((folder for folder in real.parents if is_workspace(folder)), None)


def claim(root: Path) -> None:
    """Make a folder a workspace, unless it is one.

    Raises
    ------
    ConfigError
        If there is something else in it.
    LimbwardError
        If it cannot be made or written to.
    """
    if is_workspace(root):
        return
    try:
        strangers = _strangers(root) if root.exists() else []
        if not strangers:
            (root / MARKER).parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise LimbwardError(
            f"The workspace {root} cannot be made ({error.strerror}); give another --workspace."
        ) from error
    if strangers:
        if is_workspace(root):  # another process has just made it one
            return
        raise ConfigError(foreign(root, strangers))
    part = root / "state" / f"{TEMPORARY}{secrets.token_hex(4)}-workspace.json"
    try:
        part.write_text(to_json({"kind": KIND, "id": secrets.token_hex(16)}), encoding="utf-8")
        take_place(part, root / MARKER)
    except OSError as error:
        raise LimbwardError(
            f"Nothing can be written to the workspace {root} ({error.strerror}); give another "
            "--workspace."
        ) from error


def fault(root: Path) -> str:
    """Return why a folder cannot become a workspace, empty if it can or is one."""
    if is_workspace(root) or not os.path.lexists(root):
        return ""
    try:
        strangers = _strangers(root)
    except OSError as error:
        return f"The workspace {root} cannot be read ({error.strerror}); name another folder."
    return foreign(root, strangers) if strangers else ""


def foreign(root: Path, strangers: list[str]) -> str:
    """Return the sentence for a folder that holds something else."""
    some = ", ".join(sorted(strangers)[:3]) + (", …" if len(strangers) > 3 else "")
    return (
        f"The folder {root} was not made by limbward and is not empty (it holds {some}), so it "
        "was not touched. Name a new or empty folder with `workspace:` in the config or with "
        "--workspace."
    )


def _strangers(root: Path) -> list[str]:
    """Return the names in a folder that a workspace about to be made does not have."""
    found = []
    for name in os.listdir(root):
        if name == "state" and (root / name).is_dir():
            found += [
                f"state/{n}"
                for n in os.listdir(root / name)
                if n not in BEFORE_MARKER and not n.startswith(TEMPORARY)
            ]
        elif name.lower() not in LITTER:
            found.append(name)
    return found
