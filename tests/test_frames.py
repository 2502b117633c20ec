"""frames.ecsv has the columns that other programs rely on, and no made-up number."""

from __future__ import annotations

import re

import astropy.units as u
import numpy as np
import pytest
from astropy.table import MaskedColumn, QTable, Table

from limbward.workspace import Workspace
from limbward.workspace.frames import assemble_frames, join_frames

COLUMNS = re.findall(
    r"\w+",
    "file, sha256, size, camera, serial, exposure, iso, f_number, focal_length, time_camera, "
    "time_utc, time_utc_sigma, phase, sun_x, sun_y, sun_radius, moon_x, moon_y, moon_radius, "
    "limb_sigma, limb_width, saturated_fraction, used, note, "
    "linear, time_source, ring, band, lens",  # added since, at the end
)


def values(table: Table, name: str) -> list:
    return [None if v is np.ma.masked else v for v in table[name]]


def test_columns_units_and_order():
    frames = join_frames([Table({"file": ["a"]})])
    assert frames.colnames == COLUMNS
    units = {name: str(frames[name].unit) for name in COLUMNS if frames[name].unit is not None}
    pixels = ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius", "limb_sigma")
    assert units == {
        "size": "byte",
        "exposure": "s",
        "focal_length": "mm",
        "time_utc_sigma": "s",
        **dict.fromkeys(pixels, "pix"),
    }
    assert values(frames, "used") == [False]
    assert all(values(frames, name) == [None] for name in COLUMNS if name not in ("file", "used"))


def test_later_tables_override_where_they_have_a_value():
    first = QTable(
        {
            "file": ["a", "b", "c"],
            "exposure": [500.0, 250.0, 8.0] * u.ms,
            "phase": ["partial", "other", "other"],
            "note": ["no Sun", "", "no Sun"],
            "extra": [1, 2, 3],
        }
    )
    later = Table(
        {
            "file": ["c", "b"],
            "phase": MaskedColumn(["totality", "x"], mask=[False, True]),
            "time_utc": ["2026-08-12T17:45:00.000Z", "2026-08-12T17:46:00.000"],
            "sun_x": [np.nan, 12.5] * u.pix,
            "used": [True, False],
            "note": ["no Sun", "trailed"],
        }
    )
    frames = join_frames([first, later])
    assert frames.colnames == COLUMNS
    assert values(frames, "exposure") == [0.5, 0.25, 0.008]
    assert values(frames, "phase") == ["partial", "other", "totality"]
    assert values(frames, "time_utc") == [
        None,
        "2026-08-12T17:46:00.000Z",
        "2026-08-12T17:45:00.000Z",
    ]
    assert values(frames, "sun_x") == [None, 12.5, None]
    assert values(frames, "used") == [False, False, True]
    assert values(frames, "note") == ["no Sun", "trailed", "no Sun"]
    third = Table({"file": ["b"], "note": ["saturated"]})
    assert values(join_frames([first, later, third]), "note")[1] == "trailed; saturated"


def test_a_file_twice_or_from_nowhere_is_a_fault():
    with pytest.raises(ValueError, match="a file twice"):
        join_frames([Table({"file": ["a", "a"]})])
    with pytest.raises(KeyError):
        join_frames([Table({"file": ["a"]}), Table({"file": ["b"]})])


def test_written_and_read_back(tmp_path):
    workspace = Workspace(tmp_path)
    assert assemble_frames(workspace) is None
    workspace.write_table(Workspace.table("align"), Table({"file": ["a"], "sun_x": [1.5]}))
    assert assemble_frames(workspace) is None
    workspace.write_table(
        Workspace.table("ingest"),
        Table({"file": ["a", "b"], "size": [10, 2**40], "iso": [100, 64]}),
    )
    assemble_frames(workspace)
    frames = workspace.read_table(Workspace.frames)
    assert frames.colnames == COLUMNS
    assert values(frames, "sun_x") == [1.5, None]
    assert values(frames, "size") == [10, 2**40]
    assert frames["sun_x"].unit == u.pix
    assemble_frames(workspace, ["ingest"])
    assert values(workspace.read_table(Workspace.frames), "sun_x") == [None, None]


def test_a_table_without_rows(tmp_path):
    workspace = Workspace(tmp_path)
    workspace.write_table("tables/ingest.ecsv", Table({"file": np.array([], dtype=str)}))
    assemble_frames(workspace)
    frames = workspace.read_table(Workspace.frames)
    assert frames.colnames == COLUMNS
    assert len(frames) == 0
