"""Ingest: find the files, checksum them, read their Exif, decode each frame once to measure it."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from limbward.camera.brackets import Answer
from limbward.camera.card import IMAGE_KINDS, CardFile, with_more
from limbward.camera.classify import Content
from limbward.config import Config, place_and_time
from limbward.config.bodies import unmatched
from limbward.config.inputs import (
    card_paths,
    find_inputs,
    inputs_digest,
    nothing_found,
    without_match,
)
from limbward.errors import LimbwardError
from limbward.runs.records import Records
from limbward.runs.stage import Stage
from limbward.sky.circumstances import Circumstances
from limbward.sky.seen import only_partial
from limbward.stages.bodies import name_bodies
from limbward.stages.copies import mark_copies
from limbward.stages.linearity import answers_of, say_what_is_linear, tasks_again
from limbward.stages.measuring import Task, measure_all
from limbward.stages.phasing import decide_phases
from limbward.stages.videos import stack_videos
from limbward.stages.wide import forget_small_suns, set_wide_aside
from limbward.work.executors import crew
from limbward.work.memory import allowed_memory
from limbward.work.reach import CardWatch
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import masked_texts, table_text
from limbward.workspace.ingest_rows import Row, add_notes
from limbward.workspace.ingest_said import what_vanished, what_was_found
from limbward.workspace.ingest_table import to_table
from limbward.workspace.journal import (
    JOURNAL,
    artefacts_of,
    earlier_rows,
    end_journal,
    files_digest,
    journal_begun,
    part_begun,
    read_journal,
)
from limbward.workspace.responses import write_responses
from limbward.workspace.stills import LIST


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write contacts.json, tables/ingest.ecsv, reduced frames and previews.

    Raises
    ------
    ConfigError
        If a folder of photographs is not there, or there is no eclipse at that place and day.
    LimbwardError
        If there are no frames.
    """
    sky = place_and_time.eclipse(config)
    workspace.write_json(Workspace.contacts, place_and_time.contacts_json(config, sky))
    partial = only_partial(sky)
    if partial:
        reporter.warn(partial)
    listing, stated = find_inputs(config)
    for note in listing.notes:
        reporter.warn(note)
    for pattern in without_match(config):
        reporter.warn(f"No file matches {pattern!r}.")
    for sentence in unmatched(config, [f.file for f in listing.files]):
        reporter.warn(sentence)
    code = str(Records(config, workspace).causes(STAGE)["code"])
    with crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands:
        stacked = stack_videos(config, workspace, listing.files, code, hands, reporter)
    files = with_more(listing.files, stacked.files)
    if not any(f.kind in IMAGE_KINDS for f in files):
        raise LimbwardError(nothing_found(config, listing))
    tasks = tasks_of(config, workspace, files, stated, moon_sun_ratio(sky))
    rows, answers = _measured(tasks, code, config, workspace, reporter)
    say_what_is_linear(answers, reporter)
    add_notes(rows, stacked.notes)
    for row, file in zip(rows, files, strict=True):
        row["sequence"], row["paired_with"] = file.sequence, table_text(file.paired_with)
    made = artefacts_of(rows)  # those of copies, too: an interrupted run goes on with them
    mark_copies(rows)
    forget_small_suns(rows)
    aside = set_wide_aside(config, rows)
    if aside:
        reporter.note(aside)
    vanished = what_vanished(workspace, rows)
    if vanished:
        reporter.warn(vanished)
    table = to_table(rows)
    for sentence in name_bodies(config, table):
        reporter.warn(sentence)
    table["phase"] = masked_texts(decide_phases(config, table).phase)
    workspace.write_table(Workspace.table("ingest"), table)
    write_responses(workspace, answers)
    _remove_stale(workspace, made | {f"{Workspace.stacked}{f.path.name}" for f in stacked.files})
    notes, warnings = what_was_found(rows, table)
    for note in notes:
        reporter.note(note)
    for warning in warnings:
        reporter.warn(warning)


def moon_sun_ratio(sky: Circumstances) -> float:
    """Return the Moon's radius over the Sun's as frames are measured with."""
    return round(sky.moon_sun_ratio, 6)


def tasks_of(
    config: Config,
    workspace: Workspace,
    files: Sequence[CardFile],
    stated: Mapping[Path, Content],
    ratio: float,
) -> list[Task]:
    """Return what is measured of files.

    Parameters
    ----------
    config : Config
    workspace : Workspace
    files : sequence of CardFile
    stated : mapping of Path to {'dark', 'flat', 'bias'}
        What the config says of some.
    ratio : float
        See `moon_sun_ratio`.
    """
    banded = tuple(body for body in config.bodies if body.band is not None)
    return [Task(f, workspace.root, ratio, stated.get(f.path), bodies=banded) for f in files]


def measure_part(config: Config, workspace: Workspace, part: int, parts: int, ratio: float) -> int:
    """Measure one of several parts of a card ahead of a run, which finds it measured.

    Several may be at work at a time; each keeps a journal of its own. Whatever is not measured
    ahead, such as stills of videos, is measured by the run.

    Parameters
    ----------
    config : Config
    workspace : Workspace
    part, parts : int
        Which one (from 0), and how many there are: every ``parts``-th file from the first on.
    ratio : float
        See `moon_sun_ratio`.

    Returns
    -------
    int
        How many files the part has.

    Raises
    ------
    LimbwardError
        If a card is gone, or nothing can be written.
    """
    listing, stated = find_inputs(config)
    tasks = tasks_of(config, workspace, listing.files, stated, ratio)
    code = str(Records(config, workspace).causes(STAGE)["code"])
    keys = [_key(task, code) for task in tasks]
    known = earlier_rows(workspace, files_digest([*keys, _asked(config)]))
    mine = range(part, len(tasks), parts)
    todo = {keys[i]: tasks[i] for i in mine if keys[i] not in known}
    if not todo:
        return len(mine)
    watch = CardWatch(card_paths(config))
    with part_begun(workspace) as add, crew(config.run.jobs, "local", None) as hands:
        memory = allowed_memory(config.run.memory)
        for key, row in measure_all(todo, hands, memory=memory):
            watch.see(todo[key].file.path, row)
            add(key, row)
    return len(mine)


def _key(task: Task, code: str) -> str:
    """Return what a row depends on, as a digest: the same key gives the same row."""
    f = task.file
    parts: tuple[object, ...] = (
        code, f.file, f.size, f.mtime_ns, task.radius_ratio, task.stated,
    )  # fmt: skip
    if task.response is not None or task.in_place:
        parts += (task.response, task.in_place)
    if task.bodies:
        parts += (task.bodies,)
    return hashlib.sha256(repr(parts).encode("utf-8", "backslashreplace")).hexdigest()


def _measured(
    tasks: list[Task], code: str, config: Config, workspace: Workspace, reporter: Reporter
) -> tuple[list[Row], list[Answer]]:
    """Return a row for each task, taking those that an interrupted or earlier run has left.

    Files whose numbers turn out not to be linear are measured a second time. Rows go to a journal
    as they come, but for those of files that could not be reached: these are tried again by the
    next run. A run of the stage that finds the journal complete for the very same files was forced,
    and measures all of them again.

    Raises
    ------
    LimbwardError
        If a card is gone.
    """
    keys = [_key(task, code) for task in tasks]
    asked = files_digest([*keys, _asked(config)])
    known = earlier_rows(workspace, asked)
    unchanged = sum(key in known for key in keys)
    if unchanged:
        files = "1 file was" if unchanged == 1 else f"{unchanged} files were"
        reporter.note(f"{files} already measured; not measured again.")
    good = [
        t.file.path for key, t in zip(keys, tasks, strict=True) if "sha256" in known.get(key, ())
    ]
    watch = CardWatch(card_paths(config), good)
    memory = allowed_memory(config.run.memory)
    with (
        journal_begun(workspace, known) as add,
        crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands,
    ):

        def measure(wanted: dict[str, Task], label: str) -> None:
            todo = {key: task for key, task in wanted.items() if key not in known}
            with reporter.progress(len(todo), label) as advance:
                for key, row in measure_all(todo, hands, memory=memory):
                    watch.see(todo[key].file.path, row)
                    known[key] = row
                    add(key, row)
                    advance()

        measure(dict(zip(keys, tasks, strict=True)), "measuring frames")
        rows = [known[key] for key in keys]
        answers = answers_of(rows, workspace)
        again = tasks_again(tasks, rows, answers)
        keys_again = {i: _key(task, code) for i, task in again.items()}
        if again:
            measure({keys_again[i]: again[i] for i in again}, "measuring frames made linear")
    for i, key in keys_again.items():
        rows[i] = known[key]
    end_journal(workspace, [(k, known[k]) for k in (*keys, *keys_again.values())], asked)
    return [dict(row) for row in rows], answers


def is_unfinished(workspace: Workspace) -> bool:
    """Return whether some files could not be reached by the last run, and are to be tried again."""
    return workspace.path(JOURNAL).exists() and read_journal(workspace)[1] is None


def _asked(config: Config) -> str:
    """Return a digest of what is said of the frames, which is no reason to measure them again."""
    said = repr((config.frames, config.bodies))
    return hashlib.sha256(said.encode("utf-8", "backslashreplace")).hexdigest()


def _remove_stale(workspace: Workspace, wanted: set[str]) -> None:
    """Remove reduced frames and previews of files that are no longer there; others are not ours."""
    for folder in (Workspace.reduced, Workspace.previews, Workspace.stacked):
        for path in sorted(workspace.path(folder).glob("*")):
            if f"{folder}{path.name}" not in wanted:
                workspace.remove(f"{folder}{path.name}")


STAGE = Stage(
    name="ingest",
    run=run,
    sections=("site", "eclipse", "input", "sky", "frames", "bodies", "video"),
    writes=(
        Workspace.contacts,
        Workspace.table("ingest"),
        Workspace.responses,
        Workspace.reduced,
        Workspace.previews,
        Workspace.stacked,
        LIST,
    ),
    fingerprint=inputs_digest,
    is_unfinished=is_unfinished,
)
