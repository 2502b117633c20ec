"""The table of ingest: its columns with their units."""

from __future__ import annotations

from typing import Any

import astropy.units as u
from astropy.table import Table

from limbward.workspace.columns import table_text, typed

Row = dict[str, Any]

COLUMNS: dict[str, tuple[type, u.UnitBase | None]] = {
    "file": (str, None),
    "sha256": (str, None),
    "pixels_sha256": (str, None),
    "size": (int, u.byte),
    "kind": (str, None),
    "paired_with": (str, None),
    "sequence": (int, None),
    "camera": (str, None),
    "serial": (str, None),
    "exposure": (float, u.s),
    "iso": (int, None),
    "f_number": (float, None),
    "focal_length": (float, u.mm),
    "pixel_pitch_um": (float, u.um),
    "orientation": (int, None),
    "time_camera": (str, None),
    "has_subsec": (bool, None),
    "time_source": (str, None),
    "offset_tag_hours": (float, u.hour),
    "gps_utc": (str, None),
    "gps_latitude": (float, u.deg),
    "gps_longitude": (float, u.deg),
    "width": (int, u.pix),
    "height": (int, u.pix),
    "phase": (str, None),
    "looks_like": (str, None),
    "stated": (str, None),
    "copy_of": (str, None),
    "light_peak": (float, None),
    "light_middle": (float, None),
    "light_limb_peak": (float, None),
    "light_limb_level": (float, None),
    "light_limb_faintest": (float, None),
    "limb_width": (float, u.pix),
    "limb_trail": (float, u.pix),
    "saturated_fraction": (float, None),
    "linear": (bool, None),
    "encoding": (str, None),
    "response": (str, None),
    "limb_saturated": (bool, None),
    "limb_coverage": (float, None),
    "measured_sun_x": (float, u.pix),
    "measured_sun_y": (float, u.pix),
    "measured_sun_radius": (float, u.pix),
    "measured_sun_sigma": (float, u.pix),
    "measured_moon_x": (float, u.pix),
    "measured_moon_y": (float, u.pix),
    "measured_moon_radius": (float, u.pix),
    "measured_moon_sigma": (float, u.pix),
    "core_x": (float, u.pix),
    "core_y": (float, u.pix),
    "core_sigma": (float, u.pix),
    "reduced": (str, None),
    "preview": (str, None),
    "note": (str, None),
}


def to_table(rows: list[Row]) -> Table:
    """Return rows as a table with units; what is not known is masked."""
    table = Table()
    for name, (kind, unit) in COLUMNS.items():
        values = [row.get(name) for row in rows]
        if name == "note":
            # Strung together as those of other stages are in frames.ecsv.
            notes = ("; ".join(n.removesuffix(".") for n in row["note"]) for row in rows)
            values = [table_text(text) for text in notes]
        table[name] = typed([None if v == "" else v for v in values], kind, unit)
    return table
