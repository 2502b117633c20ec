"""Wide frames set aside at ingest: what is measured in them is no disc."""

from __future__ import annotations

from math import nan

import numpy as np
from numpy.typing import NDArray

from limbward.camera.wide import wide_frames
from limbward.config import Config
from limbward.config.said import said_of
from limbward.limb.small import SMALL_RADIUS
from limbward.workspace.ingest_rows import Row, without_limbs
from limbward.workspace.ingest_table import CORE_COLUMNS

NOTE = (
    "a wide frame, in which the Sun is a dot: `limbward landscape` uses it (if that is wrong, set "
    "phase under frames in the config)"
)
SHOWN = ("partial", "contact", "totality", "other")
ECLIPSE = SHOWN[:3]
# On a card of wide frames alone, a disc of so many pixels makes a corona, small as it is.
LEAST_FRAMES, LEAST_DISC_PX = 3, 3.0
LARGE_PX = 2.0 * SMALL_RADIUS  # of a mosaic, whose planes have half as many pixels across


def set_wide_aside(config: Config, rows: list[Row]) -> str | None:
    """Make rows of wide frames such of other frames, in place; return what is to be said of it.

    Frames of which the config tells the phase stay as they are, and so do all of them if nothing
    else shows the eclipse and the discs in them can be measured.
    """
    said = said_of(config.frames, np.array([row["file"] for row in rows], dtype=object)).phase
    body = [(row.get("camera") or "", row.get("serial") or "") for row in rows]
    wide = wide_frames(
        body,
        _numbers(rows, "focal_length"),
        _numbers(rows, "pixel_pitch_um"),
        np.fmax(_numbers(rows, "width"), _numbers(rows, "height")),
        _numbers(rows, "measured_sun_radius"),
    )
    if _is_best(rows, wide):
        return None
    count = 0
    for row, is_wide, phase in zip(rows, wide, said, strict=True):
        if is_wide and not phase and not row.get("stated") and row.get("looks_like") in SHOWN:
            without_limbs(row, NOTE)
            count += 1
    if not count:
        return None
    frames, them = ("frame is", "it") if count == 1 else ("frames are", "them")
    return f"{count} {frames} wide: the Sun is a dot in {them}; `limbward landscape` uses {them}"


def forget_small_suns(rows: list[Row]) -> None:
    """Take what looks like a small Sun out of rows of bodies whose discs are larger, in place.

    A bead, a planet or a sliver between clouds is as small.
    """
    lens = np.array(
        [f"{r.get('camera')}\0{r.get('serial')}\0{r.get('focal_length')}" for r in rows], object
    )
    radius = np.fmax(*(_numbers(rows, f"measured_{body}_radius") for body in ("sun", "moon")))
    for one in dict.fromkeys(lens.tolist()):
        discs = radius[(lens == one) & np.isfinite(radius)]
        if discs.size >= LEAST_FRAMES and np.median(discs) > LARGE_PX:
            for row, its in zip(rows, lens, strict=True):
                if its == one and row.get("core_small"):
                    for name in CORE_COLUMNS:
                        row.pop(name)


def _is_best(rows: list[Row], wide: NDArray[np.bool_]) -> bool:
    """Return whether there is nothing better than the wide frames, and they show discs."""
    shows = np.array([row.get("looks_like") in ECLIPSE for row in rows], bool)
    if np.count_nonzero(shows & ~wide) >= LEAST_FRAMES:
        return False
    radius = np.fmax(*(_numbers(rows, f"measured_{body}_radius") for body in ("sun", "moon")))
    seen = radius[wide & shows & np.isfinite(radius)]
    return bool(seen.size and np.median(seen) >= LEAST_DISC_PX)


def _numbers(rows: list[Row], name: str) -> NDArray[np.float64]:
    values = (row.get(name) for row in rows)
    return np.array([nan if v is None else v for v in values], dtype=float)
