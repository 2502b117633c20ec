"""The table of ingest: its columns with their units, which nothing else lists."""

from __future__ import annotations

from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.card import IMAGE_KINDS
from limbward.workspace.columns import table_text, texts, typed

Row = dict[str, Any]

MEASURED = tuple(
    f"measured_{b}_{q}" for b in ("sun", "moon") for q in ("x", "y", "radius", "sigma")
)
CORE_COLUMNS = ("core_x", "core_y", "core_sigma", "core_small")
LIMB_COLUMNS = ("limb_width", "limb_saturated", "limb_coverage", *MEASURED)
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
    "lens": (str, None),
    "band": (str, None),
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
    "wide": (bool, None),
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
    **dict.fromkeys(MEASURED, (float, u.pix)),
    "core_x": (float, u.pix),
    "core_y": (float, u.pix),
    "core_sigma": (float, u.pix),
    "core_small": (bool, None),
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


def pictures_of(table: Table) -> NDArray[np.bool_]:
    """Return which rows are frames that were decoded and are there once.

    A JPEG beside a RAW frame that is used instead was not.
    """
    kind = np.isin(texts(table, "kind"), tuple(IMAGE_KINDS))
    decoded = (texts(table, "phase") != "unreadable") & (texts(table, "looks_like") != "")
    return kind & decoded & (texts(table, "copy_of") == "")
