"""Copies among the files, which are taken out of the table."""

from __future__ import annotations

from limbward.camera.card import IMAGE_KINDS
from limbward.camera.copies import Pictured, find_copies
from limbward.workspace.ingest_rows import Row
from limbward.workspace.ingest_table import LIMB_COLUMNS


def mark_copies(rows: list[Row]) -> None:
    """Take frames out that show the picture of another one, and name that one in their notes.

    What was measured in a copy is taken out of its row, for the later stages go by that, too.
    """
    decoded = [row for row in rows if _is_decoded(row)]
    for i, copy in find_copies([_pictured(row) for row in decoded]).items():
        row = decoded[i]
        row["phase"] = "other"
        row["copy_of"] = copy.of
        row["note"] = [*row["note"], copy.note]
        for name in ("reduced", *LIMB_COLUMNS):
            row[name] = None


def _is_decoded(row: Row) -> bool:
    return row["kind"] in IMAGE_KINDS and row["phase"] != "unreadable" and bool(row.get("sha256"))


def _pictured(row: Row) -> Pictured:
    return Pictured(
        file=row["file"],
        kind=row["kind"],
        sha256=row["sha256"],
        pixels_sha256=row.get("pixels_sha256") or "",
        camera=row.get("camera") or "",
        serial=row.get("serial") or "",
        time=row.get("time_camera") or "",
        exposure_s=row.get("exposure"),
        linear=row.get("linear") is not False,
        measured=bool(row.get("reduced")),
    )
