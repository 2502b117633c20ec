"""The journal of ingest: rows as they are measured, for a run that is killed to go on from."""

from __future__ import annotations

import hashlib
import json
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import Any

from limbward.work.reach import UNREACHED
from limbward.workspace import Workspace

Row = dict[str, Any]

JOURNAL = "tables/ingest.jsonl"
PARTS = "tables/ingest-parts/"  # journals of those who measure parts of a card for a later run


def journal_line(key: str, row: Row) -> str:
    """Return the line of a row."""
    return json.dumps({"key": key, "row": row}, default=lambda v: v.tolist()) + "\n"


def files_digest(keys: Iterable[str]) -> str:
    """Return a digest of what a run was asked for: keys of rows, and what is said of them."""
    return hashlib.sha256("\n".join(sorted(keys)).encode()).hexdigest()


def read_journal(workspace: Workspace, name: str = JOURNAL) -> tuple[dict[str, Row], str | None]:
    """Return the rows by their keys and, if all files of that run are there, their digest."""
    path = workspace.path(name)
    rows: dict[str, Row] = {}
    complete: str | None = None
    if not path.exists():
        return rows, complete
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            entry = json.loads(line)
        except ValueError:
            continue  # the line that was being written when the run was killed
        if not isinstance(entry, dict):
            continue
        if isinstance(entry.get("row"), dict) and isinstance(entry.get("key"), str):
            rows[entry["key"]] = entry["row"]
        if isinstance(entry.get("complete"), str):
            complete = entry["complete"]
    return rows, complete


def artefacts_of(rows: Iterable[Row]) -> set[str]:
    """Return the names of the reduced frames and previews that rows speak of."""
    return {row[name] for row in rows for name in ("reduced", "preview") if row.get(name)}


def earlier_rows(workspace: Workspace, asked: str) -> dict[str, Row]:
    """Return the rows that an interrupted or earlier run has left, with all they speak of.

    A run that finds the journal complete for the very files it was asked for, by their digest, was
    forced: none is left then, and all files are measured again, but for those of parts that have
    been measured for this run.
    """
    known, complete = read_journal(workspace)
    if complete and complete == asked:
        known = {}
    for name in part_journals(workspace):
        known |= read_journal(workspace, name)[0]

    def is_whole(row: Row) -> bool:
        return all(workspace.holds(n) and workspace.path(n).is_file() for n in artefacts_of([row]))

    return {key: row for key, row in known.items() if is_whole(row)}


def part_journals(workspace: Workspace) -> list[str]:
    """Return the names of the journals of parts."""
    return [f"{PARTS}{path.name}" for path in sorted(workspace.path(PARTS).glob("*.jsonl"))]


@contextmanager
def part_begun(workspace: Workspace) -> Iterator[Callable[[str, Row], None]]:
    """Begin a journal of a part; yield what adds a row and flushes it.

    Its name is nobody else's: a worker that was given up may still be writing to its own.
    """
    name = f"{PARTS}{secrets.token_hex(8)}.jsonl"
    workspace.write_text(name, json.dumps({"begun": secrets.token_hex(16)}) + "\n", grows=True)
    with workspace.path(name).open("a", encoding="utf-8") as stream:

        def add(key: str, row: Row) -> None:
            if row.get(UNREACHED) is None:
                stream.write(journal_line(key, row))
                stream.flush()

        yield add


@contextmanager
def journal_begun(
    workspace: Workspace, known: Mapping[str, Row]
) -> Iterator[Callable[[str, Row], None]]:
    """Begin the journal with the rows that are there; yield what adds one and flushes it.

    Rows of files that could not be reached are left out: these are tried again by the next run.
    """
    # The first line is for a run that is killed: it tells a journal of this run from another's.
    begun = json.dumps({"begun": secrets.token_hex(16)}) + "\n"
    earlier = "".join(journal_line(key, row) for key, row in known.items())
    workspace.write_text(JOURNAL, begun + earlier, grows=True)
    with workspace.path(JOURNAL).open("a", encoding="utf-8") as stream:

        def add(key: str, row: Row) -> None:
            if row.get(UNREACHED) is None:
                stream.write(journal_line(key, row))
                stream.flush()

        yield add


def end_journal(workspace: Workspace, rows: Sequence[tuple[str, Row]], asked: str) -> None:
    """Write the journal anew, as complete if all files could be reached."""
    lines = [journal_line(key, row) for key, row in rows if row.get(UNREACHED) is None]
    if len(lines) == len(rows):
        lines.append(json.dumps({"complete": asked}) + "\n")
    workspace.write_text(JOURNAL, "".join(lines))
    for name in part_journals(workspace):
        workspace.remove(name)
    with suppress(OSError):  # there may be none, or one that somebody else put something into
        workspace.path(PARTS).rmdir()
