"""Wide frames by the tables of ingest and timing: which they are, and what their clocks read."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.choice import camera_of_most
from limbward.camera.response import Response
from limbward.clock.readings import seconds_from
from limbward.landscape.choice import of_one_lens
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.folder import Workspace
from limbward.workspace.ingest_table import pictures_of
from limbward.workspace.responses import curves_of_rows

Floats = NDArray[np.float64]
Decoding = tuple[Path, str, Response | None]  # path, SHA-256 and curve of a file

# The stage timing's clock is taken if it dates nearly all frames so well: crescents of a few
# pixels, which it measures as it would large ones, say little, and their light says more.
TOLD_S, TOLD_SHARE = 3.0, 0.9


def wide_rows(
    ingest: Table, longest_mm: float, focal_mm: float | None, camera: str | None
) -> tuple[NDArray[np.int64], float | None, list[str]]:
    """Return the rows of the wide frames of one camera and lens, in the order of shooting.

    Parameters
    ----------
    ingest : Table
    longest_mm : float
        Longest focal length that counts as wide.
    focal_mm : float or None
        That of frames that do not tell it.
    camera : str or None
        Model or serial number that is wanted.

    Returns
    -------
    rows : ndarray of int
        Empty if there is no such frame.
    own_mm : float or None
        The focal length that most frames tell.
    notes : list of str
        What is left out.

    Raises
    ------
    LookupError
        If no camera bears that name.
    """
    focal = floats(ingest, "focal_length")
    known = np.where(np.isfinite(focal), focal, np.nan if focal_mm is None else 1.0)
    usable = pictures_of(ingest) & (known <= longest_mm)
    bodies = list(zip(texts(ingest, "camera"), texts(ingest, "serial"), strict=True))
    body = camera_of_most(bodies, usable, camera)
    usable &= np.array([b == body for b in bodies], bool)
    usable, own_mm, notes = of_one_lens(focal, usable)
    rows = np.flatnonzero(usable)
    return rows[np.lexsort((rows, floats(ingest, "sequence")[rows]))], own_mm, notes


def zone_of(ingest: Table) -> float | None:
    """Return the zone that tags claim, hours; None where there is none."""
    tags = floats(ingest, "offset_tag_hours")
    return float(np.median(tags[np.isfinite(tags)])) if np.isfinite(tags).any() else None


def dated(timing: Table) -> tuple[Floats, float] | None:
    """Return true starts of exposures, seconds from greatest eclipse, and their usual error.

    None unless the stage timing has dated nearly all of them well; NaN where it has not.
    """
    true, sigma = floats(timing, "since_greatest_s"), floats(timing, "time_utc_sigma")
    well = np.isfinite(true) & (np.nan_to_num(sigma, nan=np.inf) < TOLD_S)
    if not well.mean() > TOLD_SHARE:
        return None
    return np.where(well, true, np.nan), max(float(np.median(sigma[well])), 0.1)


def read_off(ingest: Table, epoch: datetime) -> Floats:
    """Return what the clock read at the starts of exposures, seconds from an instant."""
    stamps = seconds_from(epoch, texts(ingest, "time_camera"))
    # A tag in whole seconds is cut off: half a second on the average.
    return stamps + np.where(flags(ingest, "has_subsec"), 0.0, 0.5)


def decodings(workspace: Workspace, ingest: Table, base: Path) -> list[Decoding]:
    """Return what it takes to decode the frames of a table, whose names are from ``base``."""
    curves = curves_of_rows(workspace, ingest)
    files, digests = texts(ingest, "file"), texts(ingest, "sha256")
    return [(base / str(f), str(d), c) for f, d, c in zip(files, digests, curves, strict=True)]
