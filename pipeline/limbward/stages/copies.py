"""Pictures that lie in the input more than once, under whatever name and in whatever file."""

from __future__ import annotations

import re
from pathlib import PurePosixPath

from limbward.camera.card import IMAGE_KINDS
from limbward.stages.measuring import MADE_OF_RAW, Row

TAKEN_FROM_A_COPY = (
    "reduced",
    "limb_width",
    "limb_saturated",
    "limb_coverage",
    *(f"measured_{b}_{q}" for b in ("sun", "moon") for q in ("x", "y", "radius", "sigma")),
)


def mark_copies(rows: list[Row]) -> None:
    """Take frames out that show the picture of another one, and name that one in their notes.

    Copies are the same file under another name (a backup card); a file with the same pixels, of
    which only the Exif was edited or the container is another; and the TIFF, FITS or JPEG made from
    a RAW frame, known by camera, time and exposure. Each would count as one more exposure in the
    merge, whose sigma would then be too small, and as one more reading of the clock.

    The first of the list is kept; of a RAW frame and its export, the RAW frame. What was measured
    in a copy is taken out of its row, for the later stages go by that, too.
    """
    files: dict[str, Row] = {}
    pixels: dict[str, Row] = {}
    for row in rows:
        if not _is_picture(row):
            continue
        first = files.setdefault(row["sha256"], row)
        if first is row and row.get("pixels_sha256"):
            first = pixels.setdefault(row["pixels_sha256"], row)
        if first is not row:
            _take_out(row, first, f"It is a copy of {first['file']}.")
    _mark_exports(rows)


def _is_picture(row: Row) -> bool:
    return row["kind"] in IMAGE_KINDS and row["phase"] != "unreadable" and bool(row.get("sha256"))


def _mark_exports(rows: list[Row]) -> None:
    """Take out frames of which a file nearer to the sensor is there as well."""
    nearest: dict[tuple[str, str, float], Row] = {}
    for row in rows:
        key = _shot(row)
        if key is not None and (key not in nearest or _rank(row) < _rank(nearest[key])):
            nearest[key] = row
    for row in rows:
        key = _shot(row)
        if key is None or _rank(row) <= _rank(nearest[key]):
            continue
        first = nearest[key]
        serials = {r.get("serial") for r in (row, first)} - {None, ""}
        # Two bodies of a model may be released together. Of a burst within a second there may be
        # exports of some frames only; all its RAW frames are there.
        if len(serials) < 2 and (first["kind"] == "raw" or _number(row) == _number(first)):
            _take_out(row, first, f"It is a copy of {first['file']}, exported to another format.")


def _rank(row: Row) -> int:
    """Return how far from the sensor a file is: RAW, linear, encoded for a display, JPEG."""
    if row["kind"] == "raw":
        return 0
    return 3 if row["kind"] in MADE_OF_RAW else 1 + (row.get("linear") is False)


def _number(row: Row) -> str:
    """Return the number of a frame in its name, the longest one there."""
    return max(re.findall(r"\d+", PurePosixPath(row["file"]).stem), key=len, default="")


def _shot(row: Row) -> tuple[str, str, float] | None:
    """Return camera, time and exposure, which tell pictures apart where all three are known."""
    camera, time, exposure = row.get("camera"), row.get("time_camera"), row.get("exposure")
    if not (_is_picture(row) and row.get("reduced") and camera and time and exposure):
        return None
    return camera, time, exposure


def _take_out(row: Row, first: Row, note: str) -> None:
    row["phase"] = "other"
    row["copy_of"] = first["file"]
    row["note"] = [*row["note"], note]
    for name in TAKEN_FROM_A_COPY:
        row[name] = None
