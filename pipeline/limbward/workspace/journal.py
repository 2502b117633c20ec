"""The journal of ingest: rows as they are measured, for a run that is killed to go on from."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from typing import Any

from limbward.workspace import Workspace

Row = dict[str, Any]

JOURNAL = "tables/ingest.jsonl"


def journal_line(key: str, row: Row) -> str:
    """Return the line of a row."""
    return json.dumps({"key": key, "row": row}, default=lambda v: v.tolist()) + "\n"


def files_digest(keys: Iterable[str]) -> str:
    """Return a digest of what a run was asked for: keys of rows, and what is said of them."""
    return hashlib.sha256("\n".join(sorted(keys)).encode()).hexdigest()


def read_journal(workspace: Workspace) -> tuple[dict[str, Row], str | None]:
    """Return the rows by their keys and, if all files of that run are there, their digest."""
    path = workspace.path(JOURNAL)
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
