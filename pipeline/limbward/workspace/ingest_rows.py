"""What cameras and limbs tell of a file, as columns of the table of ingest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from math import isfinite, nan
from typing import Any

from limbward.camera.brackets import Bracketed, Origin
from limbward.camera.card import IMAGE_KINDS, CardFile
from limbward.camera.shot import Exif
from limbward.limb.frame import Limbs, Look
from limbward.phase.light import Light
from limbward.workspace.ingest_table import CORE_COLUMNS, LIMB_COLUMNS

Row = dict[str, Any]


def blank_row(file: CardFile) -> Row:
    """Return the row of a file of which only name and size are known."""
    return {
        "file": file.file,
        "kind": file.kind,
        "size": file.size,
        "phase": "other",
        "note": [],
    }


def add_exif(row: Row, exif: Exif) -> None:
    """Add what a file says of the camera and the shot."""
    row["note"].extend(exif.notes)
    row.update(exif_columns(exif))


def add_notes(rows: Sequence[Row], notes: Mapping[str, str]) -> None:
    """Put notes, by the names of files, before those that the rows have.

    A video has none but those.
    """
    for row in rows:
        if row["file"] in notes:
            row["note"] = [notes[row["file"]], *(row["note"] if row["kind"] != "video" else [])]


def exif_columns(exif: Exif) -> Row:
    """Return what a file says of the camera and the shot; its notes are not among it."""
    return {
        "camera_note": list(exif.camera_notes),
        "camera": exif.camera,
        "serial": exif.serial,
        "exposure": exif.exposure_s,
        "iso": None if exif.iso is None else round(exif.iso),
        "f_number": exif.f_number,
        "focal_length": exif.focal_length_mm,
        "lens": exif.lens,
        "band": exif.band,
        "time_camera": _iso(exif.time_camera, exif.has_subsec),
        "has_subsec": exif.has_subsec,
        "time_source": exif.time_source or ("" if exif.time_camera is None else "camera"),
        "offset_tag_hours": exif.offset_hours,
        "gps_utc": _iso(exif.gps_utc, exif.gps_utc is not None and exif.gps_utc.microsecond > 0),
        "gps_latitude": None if exif.gps_place is None else exif.gps_place[0],
        "gps_longitude": None if exif.gps_place is None else exif.gps_place[1],
        "pixel_pitch_um": exif.pixel_pitch_um,
        "orientation": exif.orientation,
    }


def add_look(row: Row, look: Look, *, stated: str | None) -> None:
    """Add size and range of a decoded frame, and what it looks like before limbs are looked for.

    Parameters
    ----------
    row : dict
    look : Look
    stated : str or None
        What the configuration says the frame is.
    """
    row.update(
        {
            "width": look.width,
            "height": look.height,
            "saturated_fraction": look.saturated_fraction,
            "pixels_sha256": look.pixels_sha256,
            "linear": not look.encoding,
            "encoding": look.encoding,
            "phase": look.content,
            "looks_like": look.content,
            "stated": stated,
        }
    )
    if look.encoding:
        row["note"].append(
            f"display-referred (encoded, by {look.encoding}): not a measurement of brightness; "
            "merged only if there are no linear frames"
        )


def light_columns(light: Light) -> Row:
    """Return the levels that were measured."""
    return {f"light_{name}": value for name, value in asdict(light).items() if isfinite(value)}


def add_limbs(row: Row, limbs: Limbs, *, in_proportion: bool) -> None:
    """Add what a frame looks like by its limbs, and the discs that were measured.

    Parameters
    ----------
    row : dict
    limbs : Limbs
    in_proportion : bool
        Whether its light is in proportion to the numbers, so that a trail is one of motion.
    """
    found, core = limbs.found, limbs.core
    if isfinite(limbs.trail_px) and in_proportion:
        row["limb_trail"] = limbs.trail_px
    kind = "other" if found.kind == "none" else found.kind
    row.update(
        {
            "phase": kind,
            "looks_like": kind,
            "limb_width": found.limb_width,
            "limb_saturated": found.limb_saturated,
            "limb_coverage": found.coverage,
        }
    )
    for name, circle in (("sun", found.sun), ("moon", found.moon)):
        if circle is not None:
            for quantity in ("x", "y", "radius", "sigma"):
                row[f"measured_{name}_{quantity}"] = getattr(circle, quantity)
    if core is not None:  # what is bright about a Moon that could not be measured
        row.update({"core_x": core.x, "core_y": core.y, "core_sigma": core.sigma})
        row["core_small"] = limbs.small
    if found.note:
        row["note"].append(found.note)
        row["limb_note"] = found.note


def without_limbs(row: Row, note: str) -> None:
    """Make a row that of a frame whose limbs say nothing, in place, with a note of the reason."""
    row["note"] = [note, *(n for n in row["note"] if n != row.get("limb_note"))]
    for name in (*LIMB_COLUMNS, "limb_trail", *CORE_COLUMNS, "reduced"):
        row.pop(name, None)
    row |= {"phase": "other", "looks_like": "other", "wide": True}


def origin_of(row: Row) -> Origin | None:
    """Return whose numbers a file holds; None if it is no frame that was decoded."""
    if row["kind"] not in IMAGE_KINDS or not row.get("range_adu"):
        return None
    said = row.get("declared") or ""
    return Origin(row.get("camera") or "", row.get("serial") or "", row["kind"], said)


def shows_totality(row: Row) -> bool:
    """Return whether a row is of a frame of totality that can be compared with others."""
    known = all(row.get(name) for name in ("measured_moon_radius", "reduced", "exposure"))
    return known and row["phase"] == "totality"


def bracketed(i: int, row: Row) -> Bracketed:
    """Return what a frame of totality is compared by; ``i`` is the row's number."""
    time = row.get("time_camera")
    return Bracketed(
        row=i,
        seconds=datetime.fromisoformat(time).timestamp() if time else nan,
        exposure_s=row["exposure"],
        range_adu=row["range_adu"],
        iso=row.get("iso"),
        f_number=row.get("f_number"),
        moon=(row["measured_moon_x"], row["measured_moon_y"], row["measured_moon_radius"]),
    )


def _iso(time: datetime | None, subsec: bool) -> str | None:
    return (
        None if time is None else time.isoformat(timespec="microseconds" if subsec else "seconds")
    )
