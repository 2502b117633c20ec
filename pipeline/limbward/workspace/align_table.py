"""What the alignment reads of the tables, and tables/align.ecsv."""

from __future__ import annotations

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.geometry.ring import shows_ring
from limbward.limb.place import PLACES, Placing, Seen
from limbward.workspace.columns import circles, flags, floats, masked_floats, masked_texts, texts
from limbward.workspace.folder import Workspace
from limbward.workspace.measured import clock_readings, measured_discs, middles_of, with_cores


def seen_in(ingest: Table, timing: Table, epoch: Time) -> Seen:
    """Return what ingest measured, and timing measured anew."""
    discs = measured_discs(ingest)
    for name in ("x", "y", "radius"):
        discs[f"moon_{name}"] -= np.nan_to_num(floats(timing, f"limb_pull_{name}"))
    measured, drowned = with_cores(discs, ingest, texts(timing, "phase"))
    anew = {name: floats(timing, name) for name in (*PLACES, "sun_sigma")}
    exposure = floats(ingest, "exposure")
    return Seen(
        phase=texts(timing, "phase"),
        content=texts(ingest, "phase"),
        reading_s=clock_readings(ingest, epoch).reading_s + 0.5 * np.nan_to_num(exposure),
        middle_s=floats(timing, "since_greatest_s") + 0.5 * np.nan_to_num(exposure),
        time_sigma_s=floats(timing, "time_utc_sigma"),
        exposure_s=exposure * np.nan_to_num(floats(ingest, "iso"), nan=100.0) / 100.0,
        limb_width=floats(ingest, "limb_width"),
        trail=floats(ingest, "limb_trail"),
        behind_filter=flags(timing, "behind_filter"),
        clipped=flags(ingest, "limb_saturated"),
        drowned=drowned,
        measured=measured,
        middle_px=middles_of(ingest),
        small=drowned & flags(ingest, "core_small"),
        best={n: np.where(np.isfinite(a), a, measured[n]) for n, a in anew.items()},
    )


def write_align(
    workspace: Workspace,
    ingest: Table,
    placing: Placing,
    left_out: NDArray[np.bool_],
    usable: NDArray[np.bool_],
) -> None:
    """Write tables/align.ecsv.

    Parameters
    ----------
    workspace : Workspace
    ingest : Table
    placing : Placing
    left_out : ndarray of bool, shape (N,)
        Frames that the config says are not to be used.
    usable : ndarray of bool, shape (N,)
        Whether they can be merged.
    """
    phase = placing.seen.phase
    table = Table()
    table["file"] = ingest["file"]
    table["phase"] = masked_texts(phase)
    table["left_out"] = left_out
    for name, values in placing.place.items():
        table[name] = masked_floats(values, u.pix)
    sun, moon = circles(table, "sun"), circles(table, "moon")
    table["ring"] = (phase == "partial") & shows_ring(sun, moon)
    table["limb_sigma"] = masked_floats(placing.limb_sigma, u.pix)
    table["sun_sigma"] = masked_floats(placing.sun_sigma, u.pix)
    table["sun_sigma_relative"] = masked_floats(placing.relative, u.pix)
    table["limb_miss"] = masked_floats(placing.limb_miss, u.pix)
    table["rotation_deg"] = masked_floats(placing.turn_deg, u.deg)
    table["usable"] = usable
    table["note"] = masked_texts(placing.note)
    workspace.write_table(Workspace.table("align"), table)
