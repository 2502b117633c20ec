"""Which frames of a card are wide, with which lens and clock they were taken."""

from __future__ import annotations

import re
from collections import Counter
from typing import Any

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.camera.choice import camera_of_most
from limbward.config import Config
from limbward.errors import ConfigError, LimbwardError
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.ingest_table import pictures_of

Floats = NDArray[np.float64]

USUAL_WIDTHS_MM = (36.0, 23.5, 22.3, 17.3, 13.2)  # of sensors, the commonest first
UNKNOWN_FOCALS = np.geomspace(0.25, 2.0, 26)  # of the frame's width, where nothing tells more
# The stage timing's clock is taken if it dates nearly all frames so well: crescents of a few
# pixels, which it measures as it would large ones, say little, and their light says more.
TOLD_S, TOLD_SHARE = 3.0, 0.9


def chosen(config: Config, ingest: Table) -> tuple[NDArray[np.int64], float | None, list[str]]:
    """Return the rows of the wide frames of one camera and lens, and its focal length."""
    options = config.landscape
    focal = floats(ingest, "focal_length")
    known = np.where(np.isfinite(focal), focal, np.nan if options.focal_mm is None else 1.0)
    usable = pictures_of(ingest) & (known <= options.longest_mm)
    bodies = _whole_bodies(texts(ingest, "camera").tolist(), texts(ingest, "serial").tolist())
    try:
        body = camera_of_most(bodies, usable, options.camera)
    except LookupError as error:
        raise ConfigError(f"{config.where('landscape', 'camera')}: {error}") from error
    if body is None:
        raise LimbwardError(
            f"No frame was taken with a lens of {options.longest_mm:g} mm or less. If the files do "
            "not tell the focal length, give landscape.focal_mm; landscape.longest_mm is the limit."
        )
    usable &= np.array([b == body for b in bodies], bool)
    lengths = Counter(np.round(focal[usable & np.isfinite(focal)], 1).tolist())
    notes: list[str] = []
    if len(lengths) > 1:
        most, count = lengths.most_common(1)[0]
        left = int(usable.sum()) - count
        usable &= np.abs(focal - most) < 0.06
        notes.append(f"{left} wide frames of other focal lengths than {most:g} mm are left out.")
    own = next(iter(lengths.most_common(1)), (None, 0))[0]
    rows = np.flatnonzero(usable)
    order = np.lexsort((rows, floats(ingest, "sequence")[rows]))
    return rows[order], options.focal_mm or own, notes


def _whole_bodies(cameras: list[str], serials: list[str]) -> list[tuple[str, str]]:
    """Return camera and serial number of frames, bodies that ingest has split put together again.

    It takes discs of two sizes for two lenses, which small Suns with and without glare have too.
    """
    plain = [re.sub(r" \([^()]*\)$", "", camera) for camera in cameras]
    names: dict[tuple[str, str], set[str]] = {}
    for camera, base, serial in zip(cameras, plain, serials, strict=True):
        names.setdefault((base, serial), set()).add(camera)
    return [
        (base if len(names[base, serial]) > 1 else camera, serial)
        for camera, base, serial in zip(cameras, plain, serials, strict=True)
    ]


def focals(
    config: Config, ingest: Table, rows: NDArray[np.int64], focal_mm: float | None, width: int
) -> tuple[float, ...]:
    """Return focal lengths to try, pixels."""
    if focal_mm is None:
        return tuple((UNKNOWN_FOCALS * width).tolist())
    pitch = (
        float(np.nanmedian(p))
        if np.isfinite(p := floats(ingest, "pixel_pitch_um")[rows]).any()
        else None
    )
    if config.landscape.sensor_width_mm is not None:
        return (focal_mm * width / config.landscape.sensor_width_mm,)
    if pitch is not None:
        return (focal_mm * 1000.0 / pitch,)
    return tuple(focal_mm * width / w for w in USUAL_WIDTHS_MM)


def sensitivity(ingest: Table, rows: NDArray[np.int64]) -> Floats:
    """Return exposure times sensitivity of frames, those of ISO 100 and f/8 being 1 a second."""
    exposure = np.nan_to_num(floats(ingest, "exposure")[rows], nan=1.0)
    iso = np.nan_to_num(floats(ingest, "iso")[rows], nan=100.0)
    stop = np.nan_to_num(floats(ingest, "f_number")[rows], nan=8.0)
    return np.asarray(np.maximum(exposure, 1e-6) * iso / 100.0 * (8.0 / stop) ** 2)


def readings(
    config: Config, ingest: Table, timing: Table, rows: NDArray[np.int64], epoch: Time
) -> tuple[Floats, bool, float, float | None]:
    """Return starts of exposures, seconds from the epoch; whether they are UTC; error; zone."""
    tags = floats(ingest, "offset_tag_hours")[rows]
    told = np.isfinite(tags)
    zone = config.timing.utc_offset_hours
    if zone is None and told.any():
        zone = float(np.median(tags[told]))
    true, sigma = floats(timing, "since_greatest_s")[rows], floats(timing, "time_utc_sigma")[rows]
    dated = np.isfinite(true) & (np.nan_to_num(sigma, nan=np.inf) < TOLD_S)
    if config.landscape.clock == "auto" and dated.mean() > TOLD_SHARE:
        return np.where(dated, true, np.nan), True, max(float(np.median(sigma[dated])), 0.1), zone
    stamps = texts(ingest, "time_camera")[rows]
    whole = flags(ingest, "has_subsec")[rows]
    zero = epoch.utc.to_datetime()
    reading = np.array([_seconds(s, zero) for s in stamps]) + np.where(whole, 0.0, 0.5)
    return reading, False, np.inf, zone


def _seconds(stamp: Any, zero: Any) -> float:
    return float((Time(str(stamp)).to_datetime() - zero).total_seconds()) if stamp else float("nan")
