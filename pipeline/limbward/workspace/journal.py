"""The journal of ingest: rows as they are measured, for a run that is killed to go on from."""

from __future__ import annotations

import json
from typing import Any

from limbward.workspace import Workspace

Row = dict[str, Any]

JOURNAL = "tables/ingest.jsonl"


def journal_line(key: str, row: Row) -> str:
    """Return the line of a row."""
    return json.dumps({"key": key, "row": row}, default=lambda v: v.tolist()) + "\n"


def read_journal(workspace: Workspace) -> tuple[dict[str, Row], str]:
    """Return the rows by their keys, and what all files were measured for; empty if some miss."""
    path = workspace.path(JOURNAL)
    rows: dict[str, Row] = {}
    complete = ""
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
        complete = complete or str(entry.get("complete", ""))
    return rows, complete
