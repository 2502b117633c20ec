"""The tables of a campaign: a row a station, a row a track, a row for every frame of all."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Table, vstack

from limbward.campaign.motion import Track
from limbward.config.stations import Station
from limbward.errors import LimbwardError
from limbward.workspace import Workspace
from limbward.workspace.columns import typed
from limbward.workspace.frames import FRAME_COLUMNS

LARGE = 1000  # rows, from which ECSV is slow to read
ECSV, PARQUET = "campaign.ecsv", "campaign.parquet"
COLUMNS: dict[str, tuple[type, u.UnitBase | None]] = {
    "station": (str, None),
    "latitude": (float, u.deg),
    "longitude": (float, u.deg),
    "height": (float, u.m),
    "status": (str, None),
    "reason": (str, None),
    "warning": (str, None),
    "frames": (int, None),
    "size": (int, u.byte),
    "totality": (int, None),
    "used": (int, None),
    "clock_offset": (float, u.s),
    "clock_sigma": (float, u.s),
    "time_utc": (str, None),
    "pixel_scale": (float, u.arcsec / u.pix),
    "west": (float, u.arcsec),
    "north": (float, u.arcsec),
    "place_sigma": (float, u.arcsec),
    "turn": (float, u.deg),
    "turn_sigma": (float, u.deg),
    "scale": (float, None),
    "scale_sigma": (float, None),
    **{f"gain_{c}": (float, None) for c in "rgb"},
    **{f"gain_{c}_sigma": (float, None) for c in "rgb"},
    "misfit": (float, None),
    "noise": (float, None),
    "workspace": (str, None),
}
TRACK_UNITS = {
    "position_angle": u.deg,
    "width_deg": u.deg,
    "speed_kms": u.km / u.s,
    "speed_sigma_kms": u.km / u.s,
    "radius": u.R_sun,
    "radius_sigma": u.R_sun,
}


def stations_table(rows: Sequence[dict[str, Any]]) -> Table:
    """Return rows of stations as a table; what is not known is masked."""
    table = Table()
    for name, (kind, unit) in COLUMNS.items():
        values = [row.get(name) for row in rows]
        plain = [None if isinstance(v, float) and not np.isfinite(v) else v for v in values]
        table[name] = typed([v if v != "" else None for v in plain], kind, unit)
    return table


def tracks_table(tracks: Sequence[Track]) -> Table:
    """Return what moved as a table."""
    table = Table()
    for name in Track.__dataclass_fields__:
        table[name] = np.array([getattr(t, name) for t in tracks], dtype=float)
        if name in TRACK_UNITS:
            table[name].unit = TRACK_UNITS[name]
    return table


def _frames(stations: Sequence[Station]) -> Iterator[Table]:
    for station in stations:
        workspace = Workspace(station.root)
        if station.config is None or not workspace.path(Workspace.frames).exists():
            continue
        try:
            table = workspace.read_table(Workspace.frames)
        except LimbwardError:
            continue  # its row of stations.ecsv tells
        if not len(table):
            continue
        table.add_column([station.name] * len(table), index=0, name="station")
        table.meta.clear()
        yield table


def write_frames(stations: Sequence[Station], workspace: Workspace) -> tuple[str, int]:
    """Write the frames of all stations: ECSV below a thousand rows, else Parquet.

    Parameters
    ----------
    stations : sequence of Station
    workspace : Workspace
        The campaign's.

    Returns
    -------
    str, int
        Name of the file, and its rows. A station's rows are in memory one station at a time if it
        is Parquet.
    """
    held: list[Table] = []
    rows = 0
    flow = _frames(stations)
    for table in flow:
        held.append(table)
        rows += len(table)
        if rows >= LARGE:
            break
    if rows < LARGE:
        for table in held:
            for name in table.colnames:  # a column masked throughout has no type in ECSV
                if name in FRAME_COLUMNS and table[name].dtype.kind != "U":
                    continue
                if name in FRAME_COLUMNS and FRAME_COLUMNS[name][0] is not str:
                    table[name] = typed([None] * len(table), *FRAME_COLUMNS[name])
        if held:
            workspace.write_table(ECSV, vstack(held, metadata_conflicts="silent"))
        workspace.remove(PARQUET)
        return (ECSV, rows) if held else ("", 0)
    try:
        import pyarrow  # noqa: F401
    except ImportError as error:
        raise LimbwardError(
            f"The campaign has {LARGE} frames or more, whose table is written as Parquet: "
            "pip install 'limbward[parquet]'."
        ) from error
    with workspace.writing(PARQUET) as part:
        rows = _write_parquet(part, (*held, *()), flow)
    workspace.remove(ECSV)
    return PARQUET, rows


def _write_parquet(path: Path, first: Sequence[Table], rest: Iterator[Table]) -> int:
    import pyarrow as pa
    import pyarrow.parquet as pq

    kinds = {str: pa.string(), float: pa.float64(), int: pa.int64(), bool: pa.bool_()}
    fields = [pa.field("station", pa.string())]
    for name, (kind, unit) in FRAME_COLUMNS.items():
        told = {} if unit is None else {"unit": str(unit)}
        fields.append(pa.field(name, kinds[kind], metadata=told))
    schema = pa.schema(fields)
    rows = 0
    with pq.ParquetWriter(path, schema) as writer:
        for table in (*first, *rest):
            columns = []
            for known in schema:
                columns.append(pa.array(_values(table, known.name), known.type))
            writer.write_table(pa.Table.from_arrays(columns, schema=schema))
            rows += len(table)
    return rows


def _values(table: Table, name: str) -> list[Any]:
    if name not in table.colnames:
        return [None] * len(table)
    kind = str if name == "station" else FRAME_COLUMNS[name][0]
    column = np.ma.asarray(table[name])
    hidden = np.ma.getmaskarray(column)
    values = np.asarray(column.data).tolist()
    out: list[Any] = []
    for value, masked in zip(values, hidden, strict=True):
        if masked or value is None or (kind is not str and isinstance(value, str)):
            out.append(None)
        else:
            out.append(kind(value))
    return out
