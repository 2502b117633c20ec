"""What the merge reads of the tables, and tables/merge.ecsv."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.radiance.selection import Files
from limbward.workspace.columns import (
    circles,
    flags,
    floats,
    masked_floats,
    masked_texts,
    texts,
)
from limbward.workspace.folder import Workspace

ALONE = "its exposure could not be compared with that of any other frame"
# By rows: a frame's light against the nominal, and why it is not in the picture, or `ALONE`.
Told = dict[int, tuple[float, str]]


def files_of(base: Path, ingest: Table, timing: Table, align: Table) -> Files:
    """Return what the tables know of every file.

    Parameters
    ----------
    base : Path
        The folder that their names start from.
    ingest, timing, align : Table
    """
    phase = texts(align, "phase")
    phase = np.where(phase == "", texts(ingest, "phase"), phase)
    return Files(
        path=[base / str(file) for file in ingest["file"]],
        usable=flags(align, "usable"),
        reduced=texts(ingest, "reduced") != "",
        linear=texts(ingest, "linear") != "False",
        phase=np.where(flags(align, "left_out"), "other", phase),
        camera=texts(ingest, "camera"),
        serial=texts(ingest, "serial"),
        width=floats(ingest, "width"),
        height=floats(ingest, "height"),
        exposure_s=floats(ingest, "exposure"),
        iso=floats(ingest, "iso"),
        f_number=floats(ingest, "f_number"),
        start_s=floats(timing, "since_greatest_s"),
        rotation_deg=floats(align, "rotation_deg"),
        sun=circles(align, "sun"),
        moon=circles(align, "moon"),
    )


def write_merge(
    workspace: Workspace,
    ingest: Table,
    told: Mapping[int, tuple[float, str]],
    note: NDArray[np.object_],
) -> None:
    """Write which frames were used, and why others were not.

    Parameters
    ----------
    workspace : Workspace
    ingest : Table
    told : mapping
        Of the frames that were to be merged; see `Told`.
    note : ndarray of object, shape (N,)
        Why others were not.
    """
    note = note.copy()
    relative = np.full(len(ingest), np.nan)
    used = np.zeros(len(ingest), bool)
    for row, (light, why) in told.items():
        relative[row], used[row], note[row] = light, why in ("", ALONE), why
    table = Table()
    table["file"] = ingest["file"]
    table["used"] = used
    table["relative_exposure"] = masked_floats(relative)
    table["note"] = masked_texts(note)
    workspace.write_table(Workspace.table("merge"), table)
