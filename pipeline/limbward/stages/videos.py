"""Stills made of the videos on the cards, before ingest measures them as frames: a part of it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from limbward.camera.card import CardFile
from limbward.clips.parts import Part, Split, split, stack_part
from limbward.config import Config
from limbward.work.executors import Crew
from limbward.work.map import Failure, FileMap, Task
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.names import artefact_name
from limbward.workspace.stills import known_stills, notes_of, still_file, write_stills

SUFFIXES = (".ser", ".avi")


@dataclass(frozen=True)
class Stacked:
    """Stills as files for ingest, and what is said of each and of each video, by their names."""

    files: tuple[CardFile, ...]
    notes: dict[str, str]


def stack_videos(
    config: Config,
    workspace: Workspace,
    files: Sequence[CardFile],
    code: str,
    crew: Crew,
    reporter: Reporter,
) -> Stacked:
    """Stack the videos of planetary cameras to stills in the workspace.

    Stills that an earlier run has made of the same video in the same way are kept.

    Parameters
    ----------
    config, workspace, reporter
    files : sequence of CardFile
        All that ingest has found.
    code : str
        Digest of what makes the stills.
    crew : Crew
    """
    videos = [f for f in files if f.path.suffix.lower() in SUFFIXES]
    if not (config.video.stack and videos):
        return Stacked((), {})
    known = known_stills(workspace)
    entries: dict[str, dict[str, Any]] = {}
    todo: dict[str, tuple[CardFile, Part, str]] = {}
    with FileMap(crew) as hands:
        asked = (Task(f.file, f.path, (f.path, config.video.still_s)) for f in videos)
        by_name = {f.file: f for f in videos}
        for task, found in hands.each(split, asked):
            if isinstance(found, Failure):
                reporter.warn(f"{task.key}: {found.sentence}")
                continue
            for note in found.notes:
                reporter.warn(f"{task.key}: {note.removeprefix(f'{task.path.name} ')}")
            _plan(config, by_name[str(task.key)], found, code, todo)
        for name, (_, _, key) in todo.items():
            if known.get(name, {}).get("key") == key and workspace.path(name).exists():
                entries[name] = known[name]
        left = {name: item for name, item in todo.items() if name not in entries}
        with reporter.progress(len(left), "stacking videos") as advance:
            for task, told in hands.each(_stack, _tasks(config, workspace, left)):
                video, _, key = left[str(task.key)]
                if isinstance(told, Failure):
                    reporter.warn(f"{video.file}: {told.sentence}")
                else:
                    entries[str(task.key)] = {"video": video.file, "key": key} | told
                advance()
    write_stills(workspace, entries)
    base = config.base_dir.absolute()
    stills = {name: still_file(workspace, base, name, entries[name]) for name in sorted(entries)}
    return Stacked(tuple(stills.values()), notes_of(entries, stills))


def _plan(
    config: Config,
    video: CardFile,
    found: Split,
    code: str,
    todo: dict[str, tuple[CardFile, Part, str]],
) -> None:
    said = (code, video.file, video.size, video.mtime_ns, config.video)
    for k, part in enumerate(found.parts):
        key = hashlib.sha256(repr((*said, part.first, part.last)).encode()).hexdigest()
        name = f"{Workspace.stacked}{artefact_name(video.file)}-{k + 1:04d}.fits"
        todo[name] = (video, part, key)


def _tasks(
    config: Config, workspace: Workspace, left: dict[str, tuple[CardFile, Part, str]]
) -> list[Task[str]]:
    how = config.video.share, config.video.exposure_s
    return [
        Task(
            name,
            video.path,
            (part, *how, workspace.root, name),
            extra_s=part.patience_s,
            room=part.room,
        )
        for name, (video, part, _) in left.items()
    ]


def _stack(
    part: Part, share: float, exposure_s: float | None, root: Path, name: str
) -> dict[str, Any]:
    with Workspace(root).writing(name) as to:
        return stack_part(part, share, exposure_s, to)
