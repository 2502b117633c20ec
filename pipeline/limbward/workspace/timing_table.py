"""tables/timing.ecsv, and the same times as XMP files that lie below the workspace."""

from __future__ import annotations

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.camera.sidecar import sidecar_name, sidecar_xml
from limbward.clock.times import Times
from limbward.phase.session import Phases
from limbward.workspace.columns import floats, masked_floats, masked_texts, texts
from limbward.workspace.folder import Workspace

SIDECARS = "sidecars/"
# What the Moon's mountains add to circles measured in totality, pixels.
ROLL = "camera_roll"
PULLS = ("limb_pull_x", "limb_pull_y", "limb_pull_radius")


def write_timing(
    workspace: Workspace,
    frames: Table,
    epoch: Time,
    times: Times,
    phases: Phases,
    pull: NDArray[np.float64],
) -> Table:
    """Write and return tables/timing.ecsv.

    Parameters
    ----------
    workspace : Workspace
    frames : Table
        Of ingest.
    epoch : Time
    times : Times
    phases : Phases
    pull : ndarray, shape (N, 3)
        Of x, y and radius of the Moon; NaN where nothing is known of it.
    """
    table = Table()
    table["file"] = frames["file"]
    table["time_utc"] = masked_texts(times.utc(epoch))
    table["time_utc_sigma"] = masked_floats(times.sigma_s, u.s)
    table["since_greatest_s"] = masked_floats(times.since_greatest_s, u.s)
    table["phase"] = masked_texts(phases.phase)
    table["behind_filter"] = phases.behind_filter
    table["note"] = masked_texts(phases.reason)
    for name, values in times.place.items():
        table[name] = masked_floats(values, u.pix)
    for name, values in zip(PULLS, pull.T, strict=True):
        table[name] = masked_floats(values, u.pix)
    table["clock_residual_s"] = masked_floats(times.residual_s, u.s)
    table[ROLL] = masked_floats(times.roll_deg, u.deg)
    workspace.write_table(Workspace.table("timing"), table)
    return table


def rolls_of(timing: Table) -> NDArray[np.float64]:
    """Return how far a hand has rolled the camera in each of N frames, degrees, (N,)."""
    return np.nan_to_num(floats(timing, ROLL)) if ROLL in timing.colnames else np.zeros(len(timing))


def write_sidecars(workspace: Workspace, table: Table) -> None:
    """Write an XMP file for every frame whose time is known, below the workspace."""
    sigma = floats(table, "time_utc_sigma")
    times = texts(table, "time_utc")
    for file, time, s in zip(texts(table, "file"), times, sigma, strict=True):
        if time:
            xml = sidecar_xml(time, float(s) if np.isfinite(s) else None)
            workspace.write_text(f"{SIDECARS}{sidecar_name(file)}", xml)
