"""tables/videos.json: the stills that were stacked of videos, and as files like any other."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from limbward.camera.card import CardFile, relative_name
from limbward.errors import LimbwardError
from limbward.workspace.folder import Workspace

LIST = "tables/videos.json"


def known_stills(workspace: Workspace) -> dict[str, dict[str, Any]]:
    """Return what an earlier run has made, by the names of the stills; nothing if damaged."""
    try:
        told = workspace.read_json(LIST)
    except (LimbwardError, OSError):
        return {}  # none yet, or damaged: they are made anew
    return {k: v for k, v in told.items() if isinstance(v, dict)} if isinstance(told, dict) else {}


def write_stills(workspace: Workspace, entries: Mapping[str, Mapping[str, Any]]) -> None:
    """Write what became of each still, by their names."""
    workspace.write_json(LIST, {name: entries[name] for name in sorted(entries)})


def still_file(workspace: Workspace, base: Path, name: str, entry: Mapping[str, Any]) -> CardFile:
    """Return a still as a file of the card.

    Parameters
    ----------
    workspace : Workspace
    base : Path
        The folder that names of files start from.
    name : str
    entry : mapping
        Of the still in the list.
    """
    path = workspace.path(name).absolute()
    # In place of the time of writing, what it was made of: the same still is the same file.
    made_of = int(entry["key"][:15], 16)
    return CardFile(path, relative_name(path, base), "fits", path.stat().st_size, made_of)


def notes_of(
    entries: Mapping[str, Mapping[str, Any]], stills: Mapping[str, CardFile]
) -> dict[str, str]:
    """Return what is to be said of each still and of each video, by the names of their files."""
    notes: dict[str, str] = {}
    made: dict[str, list[str]] = {}
    for name, still in stills.items():
        entry = entries[name]
        made.setdefault(entry["video"], []).append(name)
        notes[still.file] = (
            f"Stacked from {entry['used']:.0f} of {entry['pictures']} frames of {entry['video']}, "
            "the sharpest in each place."
        )
    for video, names in made.items():
        notes[video] = f"Stacked into {len(names)} stills, from {names[0]} on."
    return notes
