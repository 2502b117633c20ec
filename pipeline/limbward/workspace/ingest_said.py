"""What ingest has found and what it misses, in sentences."""

from __future__ import annotations

from collections import Counter
from pathlib import PurePosixPath
from typing import Any

from astropy.table import Table

from limbward.camera.card import IMAGE_KINDS
from limbward.errors import LimbwardError
from limbward.workspace.columns import texts
from limbward.workspace.folder import Workspace

Row = dict[str, Any]

SAID_AT_MOST = 5


def what_vanished(workspace: Workspace, rows: list[Row]) -> str:
    """Return which frames the last run had: half a card makes half a corona without a word.

    Empty if none is missing.
    """
    path = workspace.path(Workspace.table("ingest"))
    if not path.exists():
        return ""
    try:
        table = workspace.read_table(Workspace.table("ingest"))
        before = [
            str(f) for f, k in zip(table["file"], table["kind"], strict=True) if k in IMAGE_KINDS
        ]
    except (LimbwardError, KeyError):
        return ""  # a damaged table, which is about to be written anew
    now = {row["file"] for row in rows}
    gone = [file for file in before if file not in now]
    if not gone:
        return ""
    are = "frame of the last run is" if len(gone) == 1 else "frames of the last run are"
    return (
        f"{len(gone)} of {len(before)} {are} missing, for example {gone[0]}. If you did not "
        "remove them on purpose, connect the card (see input.cards and input.exclude) and run "
        "again."
    )


def what_was_found(rows: list[Row], table: Table) -> tuple[list[str], list[str]]:
    """Return what there is to note of the files, and what to warn of.

    Parameters
    ----------
    rows : list of dict
    table : Table
        Of the same files, with the phases that were decided.
    """
    phases = Counter(texts(table, "phase").tolist())
    found = ", ".join(f"{n} {phase}" for phase, n in phases.most_common())
    notes = [f"from the pictures alone: {found} (the clock may correct some)"]
    said_of_cameras = {
        (row.get("camera"), row.get("serial"), note): None
        for row in rows
        for note in row.get("camera_note", [])
    }
    for camera, serial, note in said_of_cameras:
        notes.append(f"{camera or 'a camera'} {serial or ''}".strip() + f": {note}")
    warnings = []
    shown = [row for row in rows if row["phase"] in ("partial", "contact", "totality")]
    timeless = [row for row in shown if not (row.get("time_camera") or row.get("gps_utc"))]
    if timeless:
        warnings.append(
            f"{len(timeless)} of {len(shown)} frames of the eclipse have no time in Exif, a side "
            f"file or their names, for example {timeless[0]['file']}; they get no UTC."
        )
    unreadable = [row for row in rows if row["phase"] == "unreadable"]
    for row in unreadable[:SAID_AT_MOST]:
        # A decoder's sentence begins with the bare name.
        said = row["note"][-1].removeprefix(f"{PurePosixPath(row['file']).name} ")
        warnings.append(f"{row['file']}: {said}")
    if len(unreadable) > SAID_AT_MOST:
        warnings.append(f"{len(unreadable) - SAID_AT_MOST} more are unreadable; see frames.ecsv.")
    return notes, warnings
