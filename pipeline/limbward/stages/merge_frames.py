"""Which frames are merged: those of totality, of one camera, of one size."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import ConfigError
from limbward.geometry.disc import Disc
from limbward.workspace.columns import flags, floats, texts

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Frames:
    """The frames to be merged, in order of exposure; arrays of length N."""

    row: NDArray[np.int64]
    path: list[Path]
    exposure_s: Floats
    iso: Floats
    f_number: Floats
    light_s: Floats  # exposure at the reference ISO and f-number
    start_s: Floats  # from greatest eclipse
    sun: list[Disc]
    moon: list[Disc]
    rotation_deg: Floats
    width: int
    height: int
    iso_reference: float
    f_reference: float
    camera: str
    serial: str


def choose(
    config: Config, ingest: Table, timing: Table, align: Table, note: NDArray[np.object_]
) -> Frames | None:
    """Return the frames to merge, or None if there is none.

    Parameters
    ----------
    config : Config
    ingest, timing, align : Table
        The stages' tables, row by row the same files.
    note : ndarray of object
        Gets a sentence for each usable frame that is left out.

    Raises
    ------
    ConfigError
        If ``merge.camera`` names no camera of the dump.
    """
    usable = flags(align, "usable")
    camera, serial = texts(ingest, "camera"), texts(ingest, "serial")
    bodies = list(zip(camera, serial, strict=True))
    count = Counter(body for body, ok in zip(bodies, usable, strict=True) if ok)
    wanted = config.merge.camera
    if wanted is not None:
        named = sorted({b for b in bodies if wanted.lower() in (b[0].lower(), b[1].lower())})
        if not named:
            known = ", ".join(sorted({f"{c} ({s})" for c, s in bodies if c}))
            raise ConfigError(
                f"{config.where('merge', 'camera')}: no camera of the dump is called {wanted!r}; "
                f"there are {known}."
            )
        count = Counter({b: n for b, n in count.items() if b in named})
    if not count:
        return None
    body = max(sorted(count), key=lambda b: count[b])
    mine = usable & np.array([b == body for b in bodies])
    for i in np.flatnonzero(usable & ~mine):
        note[i] = f"another camera is merged ({body[0]})"

    width, height = floats(ingest, "width"), floats(ingest, "height")
    size = Counter(zip(width[mine], height[mine], strict=True)).most_common(1)[0][0]
    for i in np.flatnonzero(mine & ((width != size[0]) | (height != size[1]))):
        mine[i] = False
        note[i] = f"its size differs from the others' {size[0]:.0f} x {size[1]:.0f}"
    exposure = floats(ingest, "exposure")
    reduced = texts(ingest, "reduced")
    for i in np.flatnonzero(mine & (~(exposure > 0) | (reduced == ""))):
        mine[i] = False
        note[i] = "its exposure time is not known"
    if not mine.any():
        return None
    iso, f_number = (
        _with_common(floats(ingest, "iso"), mine),
        _with_common(floats(ingest, "f_number"), mine),
    )
    iso_reference, f_reference = _most_common(iso[mine]), _most_common(f_number[mine])
    light = exposure * (iso / iso_reference) * (f_reference / f_number) ** 2
    rows = np.flatnonzero(mine)
    rows = rows[np.argsort(light[rows], kind="stable")]
    place = {
        name: floats(align, name)
        for name in ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius")
    }

    def circles(name: str) -> list[Disc]:
        parts = (place[f"{name}_{part}"][rows] for part in ("x", "y", "radius"))
        return [Disc(*map(float, p)) for p in zip(*parts, strict=True)]

    return Frames(
        row=rows,
        path=[config.base_dir / str(file) for file in ingest["file"][rows]],
        exposure_s=exposure[rows],
        iso=iso[rows],
        f_number=f_number[rows],
        light_s=light[rows],
        start_s=floats(timing, "utc_s")[rows],
        sun=circles("sun"),
        moon=circles("moon"),
        rotation_deg=np.nan_to_num(floats(align, "rotation_deg")[rows]),
        width=int(size[0]),
        height=int(size[1]),
        iso_reference=iso_reference,
        f_reference=f_reference,
        camera=body[0],
        serial=body[1],
    )


def _most_common(values: Floats) -> float:
    return float(Counter(values.tolist()).most_common(1)[0][0])


def _with_common(values: Floats, mine: NDArray[np.bool_]) -> Floats:
    """Return values in which a frame that does not tell has what most of the others have."""
    known = values[mine & (values > 0)]
    return np.where(values > 0, values, _most_common(known) if known.size else 1.0)
