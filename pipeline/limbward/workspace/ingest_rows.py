"""What cameras and limbs tell of a file, as columns of the table of ingest."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from math import isfinite
from typing import Any

from limbward.camera.shot import Exif
from limbward.geometry.disc import MeasuredDisc
from limbward.limb.frame import Look
from limbward.limb.measurement import LimbMeasurement
from limbward.phase.light import Light

Row = dict[str, Any]


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


def look_columns(look: Look) -> Row:
    """Return size and range of a decoded frame; not what it is, which limbs may yet tell."""
    return {
        "width": look.width,
        "height": look.height,
        "saturated_fraction": look.saturated_fraction,
        "pixels_sha256": look.pixels_sha256,
        "linear": not look.encoding,
        "encoding": look.encoding,
    }


def light_columns(light: Light) -> Row:
    """Return the levels that were measured."""
    return {f"light_{name}": value for name, value in asdict(light).items() if isfinite(value)}


def limb_columns(found: LimbMeasurement, core: MeasuredDisc | None = None) -> Row:
    """Return what a frame looks like by its limbs, and the discs that were measured.

    ``core`` is what is clipped about a Moon that could not be.
    """
    kind = "other" if found.kind == "none" else found.kind
    row: Row = {
        "phase": kind,
        "looks_like": kind,
        "limb_width": found.limb_width,
        "limb_saturated": found.limb_saturated,
        "limb_coverage": found.coverage,
    }
    for name, circle in (("sun", found.sun), ("moon", found.moon)):
        if circle is not None:
            for quantity in ("x", "y", "radius", "sigma"):
                row[f"measured_{name}_{quantity}"] = getattr(circle, quantity)
    if core is not None:
        row.update({"core_x": core.x, "core_y": core.y, "core_sigma": core.sigma})
    return row


def _iso(time: datetime | None, subsec: bool) -> str | None:
    return (
        None if time is None else time.isoformat(timespec="microseconds" if subsec else "seconds")
    )
