"""What the frame table tells about each camera's clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.clock.evidence import Covered, Direct
from limbward.config import Config, TimeReference
from limbward.errors import ConfigError
from limbward.workspace.columns import flags, floats, texts

Floats = NDArray[np.float64]

GPS_SIGMA_S = 0.1  # beyond the stamp's step: what passes between the fix and the shutter
DIRECT_DAYS = 30  # further from the eclipse an instant tells nothing of the clock then
REFERENCE_SIGMA_S = 0.1  # of a photographed clock or time signal


@dataclass(frozen=True)
class Body:
    """One camera body and the rows of its frames."""

    camera: str
    serial: str
    rows: NDArray[np.int64]


def bodies(frames: Table) -> list[Body]:
    """Return the camera bodies that took frames whose clock was read, in order of their names."""
    camera, serial = texts(frames, "camera"), texts(frames, "serial")
    timed = texts(frames, "time_camera") != ""
    names = sorted({(c, s) for c, s, t in zip(camera, serial, timed, strict=True) if t})
    return [Body(c, s, np.flatnonzero((camera == c) & (serial == s) & timed)) for c, s in names]


def readings(frames: Table, epoch: Time) -> Floats:
    """Return clock readings less the epoch, both as bare dates and times; NaN where unknown."""
    zero = epoch.utc.to_datetime()
    seconds = [
        (datetime.fromisoformat(text) - zero).total_seconds() if text else np.nan
        for text in texts(frames, "time_camera")
    ]
    return np.array(seconds, dtype=float)


def resolution(frames: Table) -> Floats:
    """Return the step of each reading: a second, or a hundredth with SubSecTimeOriginal."""
    return np.where(flags(frames, "has_subsec"), 0.01, 1.0)


def order(frames: Table) -> Floats:
    """Return numbers that grow in the order of taking."""
    return floats(frames, "sequence")


def covered_evidence(
    totality: tuple[Time, Time], epoch: Time, frames: Table, body: Body, reading: Floats
) -> Covered:
    """Return the body's frames of totality, and of the beads before and after it."""
    phase, sequence = texts(frames, "phase")[body.rows], order(frames)[body.rows]
    dark, beads = body.rows[phase == "totality"], body.rows[phase == "contact"]
    at = sequence[phase == "contact"]
    inside = sequence[phase == "totality"]
    first, last = (inside.min(), inside.max()) if inside.size else (np.inf, -np.inf)
    second, third = ((t - epoch).to_value("s") for t in totality)
    return Covered(
        reading[dark],
        resolution(frames)[dark],
        reading[beads[at < first]],
        reading[beads[at > last]],
        second,
        third,
    )


def direct_readings(
    config: Config, frames: Table, rows: NDArray[np.int64], reading: Floats, epoch: Time
) -> Direct:
    """Return the frames of a body whose UTC a GPS tag or the config gives."""
    files, gps = texts(frames, "file"), texts(frames, "gps_utc")
    step = resolution(frames)
    zero = epoch.utc.to_datetime()
    sequence = order(frames)
    found = []
    for row in rows:
        for reference in config.timing.references:
            if matches(files[row], reference):
                true = (reference.utc.replace(tzinfo=None) - zero).total_seconds()
                found.append((reading[row], step[row], true, 0.0, REFERENCE_SIGMA_S, sequence[row]))
        if gps[row]:
            stamp = datetime.fromisoformat(gps[row].rstrip("Z"))
            coarse = 0.0 if stamp.microsecond else 1.0
            true = (stamp - zero).total_seconds() + 0.5 * coarse
            found.append((reading[row], step[row], true, coarse, GPS_SIGMA_S, sequence[row]))
    columns = np.array(found, dtype=float).reshape(-1, 6).T
    direct = Direct(*columns)
    return direct.of(np.abs(direct.utc_s) < DIRECT_DAYS * 86400.0)


def far_instants(config: Config, frames: Table, body: Body, epoch: Time) -> list[str]:
    """Return a sentence for reference shots and GPS tags that lie too far off to be used."""
    zero = epoch.utc.to_datetime()
    reach = timedelta(days=DIRECT_DAYS)
    files, gps = texts(frames, "file")[body.rows], texts(frames, "gps_utc")[body.rows]
    said = []
    for reference in config.timing.references:
        utc = reference.utc.replace(tzinfo=None)
        if abs(utc - zero) >= reach and any(matches(file, reference) for file in files):
            said.append(
                f"The reference shot {reference.file} is dated {utc:%Y-%m-%d}, more than "
                f"{DIRECT_DAYS} days from the eclipse, and is not used; correct its utc under "
                "timing.references in the config."
            )
    stamps = [datetime.fromisoformat(text.rstrip("Z")) for text in gps if text]
    far = [stamp for stamp in stamps if abs(stamp - zero) >= reach]
    if far:
        said.append(
            f"{len(far)} of {len(stamps)} GPS tags are dated more than {DIRECT_DAYS} days from the "
            f"eclipse ({far[0]:%Y-%m-%d} for one) and are not used; nothing needs to be done if "
            "the frames are of another day."
        )
    return said


def matches(file: str, reference: TimeReference) -> bool:
    """Whether a frame is the one that the config names by the end of its path."""
    return file == reference.file or file.endswith(f"/{reference.file}")


def check_references(config: Config, frames: Table) -> None:
    """Make sure that every reference shot of the config names exactly one frame.

    Raises
    ------
    ConfigError
        If one names none or several.
    """
    files = [
        f for f, t in zip(texts(frames, "file"), texts(frames, "time_camera"), strict=True) if t
    ]
    for i, reference in enumerate(config.timing.references):
        found = [file for file in files if matches(file, reference)]
        where = config.where("timing", "references", i, "file")
        if not found:
            raise ConfigError(
                f"{where}: no frame with a time is called {reference.file!r}; give the end of its "
                "path as in frames.ecsv, such as 100ABCDE/ABCD0001.DNG."
            )
        if len(found) > 1:
            raise ConfigError(
                f"{where}: {reference.file!r} is the name of {len(found)} frames ({found[0]}, "
                f"{found[1]}); give more of the path."
            )
