"""The table of all frames, put together from the tables of the stages."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Table

from limbward.workspace import Workspace
from limbward.workspace.columns import floats, typed
from limbward.workspace.ingest_table import COLUMNS

# What the stages after ingest add; the rest has the type and the unit that it has there. A unit of
# None is the one the stage gives.
LATER: dict[str, tuple[type, u.UnitBase | None]] = {
    "time_utc": (str, None),
    "time_utc_sigma": (float, u.s),
    **dict.fromkeys(("sun_x", "sun_y", "sun_radius"), (float, u.pix)),
    **dict.fromkeys(("moon_x", "moon_y", "moon_radius"), (float, u.pix)),
    "limb_sigma": (float, u.pix),
    "limb_width": (float, None),
    "used": (bool, None),
    "ring": (bool, None),
}
ORDER = (
    *("file", "sha256", "size", "camera", "serial", "exposure", "iso", "f_number"),
    *("focal_length", "time_camera", "time_utc", "time_utc_sigma", "phase"),
    *("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius", "limb_sigma"),
    *(
        "limb_width",
        "saturated_fraction",
        "used",
        "note",
        "linear",
        "time_source",
        "ring",
        "band",
        "lens",
    ),
)
FRAME_COLUMNS = {name: LATER.get(name) or COLUMNS[name] for name in ORDER}
BESIDE = "landscape"  # a product whose table gives times to frames that no stage can date as well
SOURCES = ("ingest", "timing", "align", "merge")


def join_frames(tables: Iterable[Table]) -> Table:
    """Join tables on ``file`` into the columns of frames.ecsv.

    Parameters
    ----------
    tables : iterable of Table
        The first gives the rows. Where a later one has a value, it replaces an earlier one;
        notes are strung together. Columns that frames.ecsv does not have are left out.

    Returns
    -------
    Table
        Masked where no table has a value or the value is NaN; ``used`` is False there.
    """
    tables = list(tables)
    files = [str(file) for file in tables[0]["file"]]
    rows = {file: i for i, file in enumerate(files)}
    if len(rows) != len(files):
        raise ValueError("the first table has a file twice")
    values: dict[str, list[Any]] = {name: [None] * len(files) for name in FRAME_COLUMNS}
    units = {name: unit for name, (_, unit) in FRAME_COLUMNS.items()}
    notes: list[list[str]] = [[] for _ in files]
    for table in tables:
        at = [rows[str(file)] for file in table["file"]]
        for name, column in _known_columns(table):
            if units[name] is None:
                units[name] = column.unit
            for row, value in zip(at, _plain(column, units[name]), strict=True):
                if value is None:
                    continue
                if name != "note":
                    values[name][row] = value
                elif value and value not in notes[row]:
                    notes[row].append(value)
    values["note"] = ["; ".join(note) or None for note in notes]
    values["used"] = [bool(value) for value in values["used"]]
    values["time_utc"] = [_with_z(value) for value in values["time_utc"]]
    joined = Table()
    for name, (kind, _) in FRAME_COLUMNS.items():
        joined[name] = typed(values[name], kind, units[name])
    return joined


def assemble_frames(workspace: Workspace, stages: Iterable[str] = SOURCES) -> Table | None:
    """Write frames.ecsv from the tables there are.

    Parameters
    ----------
    workspace : Workspace
    stages : iterable of str
        Stages whose tables are taken, in the order of the run.

    Returns
    -------
    Table or None
        None if the first of the tables does not exist; nothing is written then.
    """
    names = [Workspace.table(stage) for stage in stages]
    present = [name for name in names if workspace.path(name).exists()]
    if not present or present[0] != names[0]:
        return None
    tables = [workspace.read_table(name) for name in present]
    beside = Workspace.table(BESIDE)
    if workspace.path(beside).exists():
        tables.append(_better_times(workspace.read_table(beside), tables))
    joined = join_frames(tables)
    workspace.write_table(Workspace.frames, joined)
    return joined


def _better_times(beside: Table, tables: list[Table]) -> Table:
    """Return the rows of a table whose files are still there and whose times are the surer ones."""
    sigma = {str(file): np.inf for file in tables[0]["file"]}
    for table in tables:
        for file, value in zip(table["file"], floats(table, "time_utc_sigma"), strict=True):
            if np.isfinite(value):
                sigma[str(file)] = float(value)
    own = floats(beside, "time_utc_sigma")
    better = [s < sigma.get(str(f), -np.inf) for f, s in zip(beside["file"], own, strict=True)]
    return beside[np.array(better, bool)]


def _known_columns(table: Table) -> Iterable[tuple[str, Any]]:
    return ((name, table[name]) for name in FRAME_COLUMNS if name in table.colnames)


def _plain(column: Any, unit: u.UnitBase | None) -> list[Any]:
    """Return a column's values in a unit, None where masked or NaN."""
    factor = 1.0
    if column.unit is not None and unit is not None and column.unit != unit:
        factor = column.unit.to(unit)
    values = column.value if isinstance(column, u.Quantity) else column
    masked = np.ma.getmaskarray(np.ma.asarray(values)) | np.asarray(
        getattr(values, "mask", False), bool
    )
    result = []
    for value, hidden in zip(np.asarray(values).tolist(), masked, strict=True):
        unknown = hidden or value is None or (isinstance(value, float) and np.isnan(value))
        result.append(None if unknown else value * factor if factor != 1.0 else value)
    return result


def _with_z(time: str | None) -> str | None:
    return time if time is None or time.endswith("Z") else f"{time}Z"
