"""What ingest does with one file, in a process of its own."""

from __future__ import annotations

import hashlib
import unicodedata
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from limbward.camera.card import IMAGE_KINDS, CardFile, sha256
from limbward.camera.classify import Content, classify, named_content
from limbward.camera.exif import read_exif
from limbward.camera.frame import RawFrame
from limbward.camera.luminance import green_plane, saturated_fraction
from limbward.camera.raw import UnreadableFrame, read_raw
from limbward.camera.reduce import Reduced, coarser, reduce_frame
from limbward.camera.shot import Exif
from limbward.errors import LimbwardError
from limbward.limb.corona import crop_corona
from limbward.limb.measure import LimbMeasurement, measure
from limbward.work.reach import UNREACHED, failure_to_reach, reached_again
from limbward.work.worker import limited, patience_s, room_bytes
from limbward.workspace import Workspace

Row = dict[str, Any]

PREVIEW_SIDE = 320
LONGEST_STEM = 120  # bytes; file systems take 255 in all, some with encryption 143
FILTERED_COARSER = 4  # 4.5 MB a frame become 0.3 MB
PREVIEW_STRETCH = 12.0  # arcsinh: a twelfth of the brightest is drawn at half
NOT_MEASURED = {
    "jpeg": "A JPEG is catalogued but not measured.",
    "video": "A video is not measured here: `limbward clips` does that.",
    "other": "This is not a frame.",
}


@dataclass(frozen=True)
class Task:
    """A file to measure.

    Attributes
    ----------
    file : CardFile
    root : Path
        Of the workspace.
    radius_ratio : float
        Moon's radius over the Sun's.
    stated : {'dark', 'flat', 'bias'} or None
        What the configuration says the frame is.
    """

    file: CardFile
    root: Path
    radius_ratio: float
    stated: Content | None = None


def table_text(text: str) -> str:
    """Return text that comes back from a table as it is; what would not is written out.

    Line ends and control characters break ECSV, bytes that are no UTF-8 (to Python, lone
    surrogates) cannot be written, a line that begins with # is a comment, and blanks at the ends
    are dropped.
    """
    last = len(text) - 1
    return "".join(
        c.encode("unicode_escape").decode()
        if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp")
        else f"\\x{ord(c):02x}"
        if (i == 0 and c == "#") or (i in (0, last) and c.isspace())
        else c
        for i, c in enumerate(text)
    )


def artefact_name(file: str) -> str:
    """Return a file name without suffix for what is made from a frame, unlike that of any other.

    Two folders or cards hold frames of the same name; the digest of the whole path tells them
    apart.
    """
    digest = hashlib.sha256(file.encode()).hexdigest()[:8]
    stem = PurePosixPath(file).stem.encode()[:LONGEST_STEM].decode(errors="ignore")
    return f"{stem}-{digest}"


def blank_row(file: CardFile) -> Row:
    """Return the row of a file of which only name and size are known."""
    return {
        "file": file.file,
        "kind": file.kind,
        "size": file.size,
        "phase": "other",
        "note": [],
    }


def unreadable_row(file: CardFile, reason: str) -> Row:
    """Return the row of a file that cannot be decoded, with what can be said without decoding."""
    row = blank_row(file)
    row["phase"] = "unreadable"
    try:
        with limited(patience_s(file.size), room_bytes(file.size)):
            row["sha256"] = sha256(file.path)
            row.update(_exif_columns(read_exif(file.path, decode=False), row))
    except OSError as error:
        # That it cannot be read is what the reason says; whether that may pass, this column.
        row[UNREACHED] = failure_to_reach(error)
    row["note"].append(reason)
    return row


def measure_file(task: Task) -> Row:
    """Return the row of a file: checksum, Exif, and what its pixels show.

    Writes ``reduced/NAME.npz`` (arrays ``planes``, ``factor``, and the edge points
    ``sun_limb`` and ``moon_limb``; of totality ``crop``, the corona around the Moon) and
    ``previews/NAME.jpg``. A file that cannot be measured gives a row that says why.

    Raises
    ------
    LimbwardError
        If the workspace cannot be written to, which says nothing about the file.
    MemoryError
        If there is too little memory just now; other processes may be using it.
    """
    with limited(patience_s(task.file.size), room_bytes(task.file.size)):
        return _measure_file(task)


def _measure_file(task: Task) -> Row:
    file = task.file
    name = table_text(file.file)
    if name != file.file:
        row = blank_row(file) | {"file": name, "phase": "unreadable"}
        row["note"].append(
            "The name has characters that a table cannot hold, or is not valid Unicode; rename the "
            "file."
        )
        return row
    row = blank_row(file)
    try:
        row["sha256"] = sha256(file.path)
        if file.kind in IMAGE_KINDS or file.kind == "jpeg":
            row.update(_exif_columns(read_exif(file.path), row))
        if file.kind not in IMAGE_KINDS:
            row["note"] = [NOT_MEASURED[file.kind]]
        else:
            _measure_pixels(task, row)
    except UnreadableFrame as error:
        _give_up(row, file, error, str(error))
    except OSError as error:
        reason = f"{file.path.name} cannot be read ({error.strerror or error})."
        _give_up(row, file, error, reason)
    except (LimbwardError, MemoryError):
        raise
    except Exception as error:  # one frame that upsets the code must not stop the others
        reason = f"It could not be measured ({type(error).__name__}: {error})."
        _give_up(row, file, error, reason)
    return row


def _give_up(row: Row, file: CardFile, error: Exception, reason: str) -> None:
    """Make a row that of an unreadable file, and tell whether the failure may pass."""
    row["phase"] = "unreadable"
    row["note"].append(reason)
    failure = failure_to_reach(error)
    if failure is None and "sha256" in row:
        failure = reached_again(file.path, row["sha256"])
    if failure is not None:
        row[UNREACHED] = failure


def _measure_pixels(task: Task, row: Row) -> None:
    frame = read_raw(task.file.path)
    row["width"], row["height"] = frame.width, frame.height
    row["saturated_fraction"] = saturated_fraction(frame)
    plane, reduced = green_plane(frame), reduce_frame(frame)
    kind = classify(
        plane,
        reduced,
        white_above_black=frame.white - float(frame.black.mean()),
        exposure_s=row.get("exposure"),
        named=named_content(task.file.file),
        stated=task.stated,
    )
    workspace = Workspace(task.root)
    name = artefact_name(task.file.file)
    row["preview"] = f"{Workspace.previews}{name}.jpg"
    _write_preview(workspace, row["preview"], frame, reduced)
    del frame
    if kind.note:
        row["note"].append(kind.note)
    if task.stated is not None:
        # A dark with light in it, or a flat without, would spoil the frames it is applied to. How
        # even a flat may be is left to whoever says that it is one.
        usable = kind.content == task.stated or (task.stated, kind.content) == ("flat", "light")
        row["phase"] = task.stated if usable else "other"
        return
    if kind.content != "light":
        row["phase"] = kind.content
        return
    found = measure(
        plane.image,
        plane.saturated,
        plane.scale,
        plane.origin,
        radius_ratio=task.radius_ratio,
    )
    if found.kind == "partial" and found.sun is not None:
        # Through a filter, so never merged; hundreds of them in full would fill a disk.
        reduced = coarser(reduced, FILTERED_COARSER)
    arrays: dict[str, Any] = {}
    if found.moon is not None and found.kind != "partial":
        crop = crop_corona(plane.image, plane.saturated, plane.scale, plane.origin, found.moon)
        arrays = {"crop": crop.values, "crop_scale": crop.scale, "crop_origin": crop.origin}
    row["reduced"] = f"{Workspace.reduced}{name}.npz"
    with (
        workspace.writing(row["reduced"]) as part,
        part.open("wb") as stream,
    ):
        np.savez(
            stream,
            planes=reduced.planes,
            factor=reduced.factor,
            sun_limb=found.sun_limb,
            moon_limb=found.moon_limb,
            **arrays,
        )
    row.update(_limb_columns(found))
    if found.note:
        row["note"].append(found.note)


def _limb_columns(found: LimbMeasurement) -> Row:
    row: Row = {
        "phase": "other" if found.kind == "none" else found.kind,
        "sharpness": found.sharpness,
        "limb_saturated": found.limb_saturated,
        "limb_coverage": found.coverage,
    }
    for name, circle in (("sun", found.sun), ("moon", found.moon)):
        if circle is not None:
            for quantity in ("x", "y", "radius", "sigma"):
                row[f"meas_{name}_{quantity}"] = getattr(circle, quantity)
    return row


def _exif_columns(exif: Exif, row: Row) -> Row:
    row["note"].extend(exif.notes)
    return {
        "camera_note": list(exif.camera_notes),
        "camera": exif.camera,
        "serial": exif.serial,
        "exposure": exif.exposure_s,
        "iso": None if exif.iso is None else round(exif.iso),
        "f_number": exif.f_number,
        "focal_length": exif.focal_length_mm,
        "time_camera": _iso(exif.time_camera, exif.has_subsec),
        "has_subsec": exif.has_subsec,
        "offset_tag_hours": exif.offset_hours,
        "gps_utc": _iso(exif.gps_utc, exif.gps_utc is not None and exif.gps_utc.microsecond > 0),
        "pixel_pitch_um": exif.pixel_pitch_um,
        "orientation": exif.orientation,
    }


def _iso(time: datetime | None, subsec: bool) -> str | None:
    return (
        None if time is None else time.isoformat(timespec="microseconds" if subsec else "seconds")
    )


def _write_preview(workspace: Workspace, name: str, frame: RawFrame, reduced: Reduced) -> None:
    """Write a small picture for a person: white-balanced, stretched, clipped parts white."""
    image = Image.fromarray(preview_pixels(frame, reduced))
    image.thumbnail((PREVIEW_SIDE, PREVIEW_SIDE))
    with workspace.writing(name) as part:
        image.save(part, "JPEG", quality=85)


def preview_pixels(frame: RawFrame, reduced: Reduced) -> NDArray[np.uint8]:
    """Return a reduced frame as displayable colours, shape (h, w, 3)."""
    planes = reduced.planes * frame.daylight[:, None, None]
    colours = np.einsum("ij,jhw->hwi", frame.to_srgb, planes)
    known = np.isfinite(colours).all(axis=-1)
    if not known.any():
        return np.full(colours.shape, 255, np.uint8)
    low, high = np.quantile(colours[known], (0.02, 0.998))
    # A frame of noise is drawn dark, not stretched to the full range.
    high = max(high, low + 0.002 * frame.white)
    scaled = np.clip((colours - low) / (high - low), 0.0, 1.0)
    drawn = np.arcsinh(PREVIEW_STRETCH * scaled) / np.arcsinh(PREVIEW_STRETCH)
    return np.where(known[..., None], np.nan_to_num(drawn) * 255.0, 255.0).astype(np.uint8)
