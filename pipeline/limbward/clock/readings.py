"""What frames tell about their camera's clock: readings, GPS tags, reference shots, totality."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Direct, TotalityEvidence

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]
Rows = NDArray[np.int64]

GPS_SIGMA_S = 0.1  # beyond the stamp's step: what passes between the fix and the shutter
DIRECT_DAYS = 30  # further from the eclipse an instant tells nothing of the clock then
# A computer that is set over the network, or by a receiver, is right within some hundredths of a
# second; and a video's stamp is of the picture's arrival, a short exposure after its start.
STAMP_SIGMA_S = 0.03
SAME_S = 1e-3  # a reading that is its own stamp, as those of stills from stamped videos are
REFERENCE_SIGMA_S = 0.1  # of a photographed clock or time signal


@dataclass(frozen=True)
class Body:
    """One camera body and the rows of its frames."""

    camera: str
    serial: str
    rows: Rows


@dataclass(frozen=True)
class Reference:
    """A frame whose time a person knows: the end of its path, and UTC without a zone."""

    file: str
    utc: datetime


@dataclass(frozen=True)
class Readings:
    """Clock readings of N frames, in the order of the frame table.

    Attributes
    ----------
    file, phase, gps_utc : ndarray of str
        Path, phase by content (``partial``, ``totality``, ``contact``, ...), and the stamp of a
        GPS tag, empty without one.
    reading_s : ndarray
        Clock reading less the epoch, both as bare dates and times, seconds; NaN where unknown.
    resolution_s, exposure_s : ndarray
        Step of the reading, and exposure time, 0 where unknown.
    order : ndarray
        Numbers that grow in the order of taking.
    """

    file: Texts
    phase: Texts
    gps_utc: Texts
    reading_s: Floats
    resolution_s: Floats
    exposure_s: Floats
    order: Floats

    def without(self, dropped: NDArray[np.bool_]) -> Readings:
        """Return the readings with some frames telling nothing but their times."""
        return replace(
            self,
            phase=np.where(dropped, "other", self.phase),
            gps_utc=np.where(dropped, "", self.gps_utc),
        )


def bodies(camera: Texts, serial: Texts, timed: NDArray[np.bool_]) -> list[Body]:
    """Return the camera bodies that took frames whose clock was read, in order of their names.

    Parameters
    ----------
    camera, serial : ndarray of str, shape (N,)
    timed : ndarray of bool, shape (N,)
        Whether a frame bears a time.
    """
    names = sorted({(c, s) for c, s, t in zip(camera, serial, timed, strict=True) if t})
    return [Body(c, s, np.flatnonzero((camera == c) & (serial == s) & timed)) for c, s in names]


def seconds_from(zero: datetime, times: Sequence[Any] | Texts) -> Floats:
    """Return bare dates and times (ISO 8601) less ``zero``, seconds; NaN for an empty text."""
    seconds = [
        (datetime.fromisoformat(text) - zero).total_seconds() if text else np.nan for text in times
    ]
    return np.array(seconds, dtype=float)


def totality_evidence(
    totality_s: tuple[float, float], body: Body, readings: Readings
) -> TotalityEvidence:
    """Return the body's frames of totality, and of the beads before and after it.

    Parameters
    ----------
    totality_s : tuple of float
        When the photosphere vanishes and returns, seconds from the epoch.
    body : Body
    readings : Readings
    """
    phase, sequence = readings.phase[body.rows], readings.order[body.rows]
    dark, beads = body.rows[phase == "totality"], body.rows[phase == "contact"]
    at = sequence[phase == "contact"]
    inside = sequence[phase == "totality"]
    first, last = (inside.min(), inside.max()) if inside.size else (np.inf, -np.inf)
    reading = readings.reading_s
    return TotalityEvidence(
        reading[dark],
        readings.resolution_s[dark],
        reading[beads[at < first]],
        reading[beads[at > last]],
        *totality_s,
    )


def direct_evidence(
    references: Sequence[Reference], body: Body, readings: Readings, zero: datetime
) -> Direct:
    """Return the frames of a body whose UTC a GPS tag or a reference gives.

    Parameters
    ----------
    references : sequence of Reference
    body : Body
    readings : Readings
    zero : datetime
        The epoch, UTC without a zone.
    """
    r = readings
    found = []
    for row in body.rows:
        at = r.reading_s[row], r.resolution_s[row]
        for reference in references:
            if matches(r.file[row], reference):
                true = (reference.utc - zero).total_seconds()
                found.append((*at, true, 0.0, REFERENCE_SIGMA_S, r.order[row]))
        if r.gps_utc[row]:
            stamp = datetime.fromisoformat(r.gps_utc[row].rstrip("Z"))
            coarse = 0.0 if stamp.microsecond else 1.0
            true = (stamp - zero).total_seconds() + 0.5 * coarse
            own = not coarse and abs(true - r.reading_s[row]) < SAME_S
            sigma = STAMP_SIGMA_S if own else GPS_SIGMA_S
            found.append((*at, true, coarse, sigma, r.order[row]))
    columns = np.array(found, dtype=float).reshape(-1, 6).T
    direct = Direct(*columns)
    return direct.of(np.abs(direct.since_greatest_s) < DIRECT_DAYS * 86400.0)


def far_instants(
    references: Sequence[Reference], body: Body, readings: Readings, zero: datetime
) -> list[str]:
    """Return a sentence for reference shots and GPS tags that lie too far off to be used."""
    reach = timedelta(days=DIRECT_DAYS)
    files, gps = readings.file[body.rows], readings.gps_utc[body.rows]
    said = []
    for reference in references:
        far_off = abs(reference.utc - zero) >= reach
        if far_off and any(matches(file, reference) for file in files):
            said.append(
                f"The reference shot {reference.file} is dated {reference.utc:%Y-%m-%d}, more than "
                f"{DIRECT_DAYS} days from the eclipse, and is not used; correct its utc under "
                "timing.references in the config."
            )
    stamps = [datetime.fromisoformat(text.rstrip("Z")) for text in gps if text]
    far = [stamp for stamp in stamps if abs(stamp - zero) >= reach]
    if far:
        said.append(
            f"{len(far)} of {len(stamps)} GPS tags are dated more than {DIRECT_DAYS} days from the "
            f"eclipse ({far[0]:%Y-%m-%d} for one) and are not used. If those frames are from "
            "another day, nothing needs to be done."
        )
    return said


def matches(file: str, reference: Reference) -> bool:
    """Whether a frame is the one that a reference names by the end of its path."""
    return file == reference.file or file.endswith(f"/{reference.file}")


def unclear_reference(reference: Reference, files: Sequence[str]) -> str:
    """Return why a reference does not name exactly one of the frames that bear a time; or ""."""
    found = [file for file in files if matches(file, reference)]
    if not found:
        return (
            f"no frame with a time matches {reference.file!r}; give the end of its path in "
            "frames.ecsv, such as 100ABCDE/ABCD0001.DNG."
        )
    if len(found) > 1:
        return (
            f"{reference.file!r} is the name of {len(found)} frames ({found[0]}, "
            f"{found[1]}); give more of the path."
        )
    return ""
