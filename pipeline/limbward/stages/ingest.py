"""Ingest: find the files, checksum them, read their Exif, decode each frame once to measure it."""

from __future__ import annotations

import hashlib
from collections import Counter
from pathlib import PurePosixPath

from astropy.table import Table

from limbward.camera.brackets import Answer
from limbward.camera.card import IMAGE_KINDS
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
from limbward.sky.seen import only_partial
from limbward.stages.bodies import name_bodies
from limbward.stages.copies import mark_copies
from limbward.stages.linearity import answers_of, say_what_is_linear, tasks_again
from limbward.stages.measuring import Row, Task, measure_all
from limbward.stages.phasing import decide_phases
from limbward.stages.videos import LIST, add_notes, in_order, stack_videos
from limbward.work.executors import crew
from limbward.work.reach import CardWatch
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import masked_texts, table_text, texts
from limbward.workspace.ingest_table import to_table
from limbward.workspace.journal import (
    JOURNAL,
    artefacts_of,
    earlier_rows,
    end_journal,
    files_digest,
    journal_begun,
    read_journal,
)
from limbward.workspace.responses import write_responses

SAID_AT_MOST = 5


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
    files = in_order(listing.files, stacked.files)
    if not any(f.kind in IMAGE_KINDS for f in files):
        raise LimbwardError(nothing_found(config, listing))
    banded = tuple(body for body in config.bodies if body.band is not None)
    tasks = [
        Task(f, workspace.root, round(sky.moon_sun_ratio, 6), stated.get(f.path), bodies=banded)
        for f in files
    ]
    rows, answers = _measured(tasks, code, config, workspace, reporter)
    say_what_is_linear(answers, reporter)
    add_notes(rows, stacked.notes)
    for row, file in zip(rows, files, strict=True):
        row["sequence"], row["paired_with"] = file.sequence, table_text(file.paired_with)
    made = artefacts_of(rows)  # those of copies, too: an interrupted run goes on with them
    mark_copies(rows)
    _say_what_vanished(workspace, rows, reporter)
    table = to_table(rows)
    for sentence in name_bodies(config, table):
        reporter.warn(sentence)
    table["phase"] = masked_texts(decide_phases(config, table).phase)
    workspace.write_table(Workspace.table("ingest"), table)
    write_responses(workspace, answers)
    _remove_stale(workspace, made | {f"{Workspace.stacked}{f.path.name}" for f in stacked.files})
    _say_what_was_found(rows, table, reporter)


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
    with (
        journal_begun(workspace, known) as add,
        crew(config.run.jobs, config.run.executor, config.run.scheduler) as hands,
    ):

        def measure(wanted: dict[str, Task], label: str) -> None:
            todo = {key: task for key, task in wanted.items() if key not in known}
            with reporter.progress(len(todo), label) as advance:
                for key, row in measure_all(todo, hands):
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


def _say_what_vanished(workspace: Workspace, rows: list[Row], reporter: Reporter) -> None:
    """Warn of frames that the last run had: half a card makes half a corona without a word."""
    path = workspace.path(Workspace.table("ingest"))
    if not path.exists():
        return
    try:
        table = workspace.read_table(Workspace.table("ingest"))
        before = [
            str(f) for f, k in zip(table["file"], table["kind"], strict=True) if k in IMAGE_KINDS
        ]
    except (LimbwardError, KeyError):
        return  # a damaged table, which is about to be written anew
    now = {row["file"] for row in rows}
    gone = [file for file in before if file not in now]
    if gone:
        are = "frame of the last run is" if len(gone) == 1 else "frames of the last run are"
        reporter.warn(
            f"{len(gone)} of {len(before)} {are} missing, for example {gone[0]}. If you did not "
            "remove them on purpose, connect the card (see input.cards and input.exclude) and run "
            "again."
        )


def _say_what_was_found(rows: list[Row], table: Table, reporter: Reporter) -> None:
    phases = Counter(texts(table, "phase").tolist())
    found = ", ".join(f"{n} {phase}" for phase, n in phases.most_common())
    reporter.note(f"from the pictures alone: {found} (the clock may correct some)")
    said_of_cameras = {
        (row.get("camera"), row.get("serial"), note): None
        for row in rows
        for note in row.get("camera_note", [])
    }
    for camera, serial, note in said_of_cameras:
        reporter.note(f"{camera or 'a camera'} {serial or ''}".strip() + f": {note}")
    shown = [row for row in rows if row["phase"] in ("partial", "contact", "totality")]
    timeless = [row for row in shown if not (row.get("time_camera") or row.get("gps_utc"))]
    if timeless:
        reporter.warn(
            f"{len(timeless)} of {len(shown)} frames of the eclipse have no time in Exif, a side "
            f"file or their names, for example {timeless[0]['file']}; they get no UTC."
        )
    unreadable = [row for row in rows if row["phase"] == "unreadable"]
    for row in unreadable[:SAID_AT_MOST]:
        # A decoder's sentence begins with the bare name.
        said = row["note"][-1].removeprefix(f"{PurePosixPath(row['file']).name} ")
        reporter.warn(f"{row['file']}: {said}")
    if len(unreadable) > SAID_AT_MOST:
        reporter.warn(f"{len(unreadable) - SAID_AT_MOST} more are unreadable; see frames.ecsv.")


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
