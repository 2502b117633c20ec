"""tables/bodies.ecsv and tables/shares.ecsv: what each body gave to a merge of several."""

from __future__ import annotations

from collections.abc import Sequence

import astropy.units as u
import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.radiance.join.instrument import Instrument
from limbward.workspace.columns import floats, masked_floats, masked_texts, texts
from limbward.workspace.folder import Workspace

Floats = NDArray[np.float64]
COLOURS = ("red", "green", "blue")


def write_bodies(
    workspace: Workspace,
    edges: Floats,
    instruments: Sequence[Instrument],
    left_out: Sequence[tuple[str, str, str]],
) -> None:
    """Write both tables.

    Parameters
    ----------
    workspace : Workspace
    edges : ndarray, shape (rings + 1,)
        Solar radii.
    instruments : sequence of Instrument
        The finest first.
    left_out : sequence of (str, str, str)
        Camera, serial number and why it was not merged.
    """
    none = [np.nan] * len(left_out)
    table = Table()
    table["camera"] = [i.camera for i in instruments] + [c for c, _, _ in left_out]
    table["serial"] = [i.serial for i in instruments] + [s for _, s, _ in left_out]
    table["merged"] = [True] * len(instruments) + [False] * len(left_out)
    table["frames"] = [i.frames for i in instruments] + [0] * len(left_out)

    def put(name: str, values: list[float], unit: u.UnitBase | None = None) -> None:
        known = [v if np.isfinite(v) else np.nan for v in values]
        table[name] = masked_floats(np.array([*known, *none]), unit)

    put("exposure", [i.exposure_s for i in instruments], u.s)
    put("pixel_scale", [i.pixel_scale_arcsec for i in instruments], u.arcsec)
    put("width", [i.width for i in instruments], u.pix)
    put("height", [i.height for i in instruments], u.pix)
    for side in ("width", "height"):
        size = [getattr(i, side) * i.pixel_scale_arcsec / 3600.0 for i in instruments]
        put(f"field_{side}", size, u.deg)
    put("up_position_angle", [i.up_position_angle for i in instruments], u.deg)
    table["mirrored"] = [i.mirrored for i in instruments] + [False] * len(left_out)
    for c, colour in enumerate(COLOURS):
        put(f"gain_{colour}", [i.gain[c] for i in instruments])
        put(f"gain_sigma_{colour}", [i.gain_sigma[c] for i in instruments])
        put(f"offset_{colour}", [i.offset[c] for i in instruments])
    put("shift_x", [i.shift_px[0] for i in instruments], u.pix)
    put("shift_y", [i.shift_px[1] for i in instruments], u.pix)
    put("scale_correction", [i.scale_correction for i in instruments])
    put("turn", [i.turn_deg for i in instruments], u.deg)
    put("distortion", [i.radial for i in instruments])
    put("distortion_sigma", [i.radial_sigma for i in instruments])
    put("blur", [i.blur_px for i in instruments], u.pix)
    put("mismatch", [i.mismatch for i in instruments])
    table["note"] = masked_texts(
        np.array([""] * len(instruments) + [w for *_, w in left_out], object)
    )
    workspace.write_table(Workspace.table("bodies"), table)
    rings = Table()
    count = edges.size - 1
    rings["camera"] = [i.camera for i in instruments for _ in range(count)]
    rings["serial"] = [i.serial for i in instruments for _ in range(count)]
    rings["from"] = np.tile(edges[:-1], len(instruments)) * u.solRad
    rings["to"] = np.tile(edges[1:], len(instruments)) * u.solRad
    rings["share"] = np.concatenate([i.share for i in instruments])
    rings["covered"] = np.concatenate([i.covered for i in instruments])
    workspace.write_table(Workspace.table("shares"), rings)


def read_bodies(workspace: Workspace) -> tuple[list[dict[str, object]], Table | None]:
    """Return the rows of tables/bodies.ecsv, and tables/shares.ecsv; nothing if not made."""
    if not workspace.path(Workspace.table("bodies")).is_file():
        return [], None
    table = workspace.read_table(Workspace.table("bodies"))
    words = {n: texts(table, n) for n in ("camera", "serial", "note", "merged", "mirrored")}
    numbers = {n: floats(table, n) for n in table.colnames if n not in words}
    rows = [
        {n: v[k] for n, v in words.items()} | {n: float(v[k]) for n, v in numbers.items()}
        for k in range(len(table))
    ]
    shares = workspace.path(Workspace.table("shares"))
    return rows, workspace.read_table(Workspace.table("shares")) if shares.is_file() else None
