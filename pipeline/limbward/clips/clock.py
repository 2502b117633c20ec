"""The clock of a film, told by the limbs in its pictures as a camera's is by its frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

import numpy as np
from astropy.time import Time
from numpy.typing import NDArray

from limbward.clips.sampling import Sampled
from limbward.clips.times import clock_of, entry_of, phase_of
from limbward.clock.body import KnownLimb, solve_body
from limbward.clock.evidence import Direct
from limbward.clock.readings import STAMP_SIGMA_S, Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.limb.measurement import LimbMeasurement
from limbward.limb.partial import measured_columns, partial_discs
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

STEP_S = 0.01  # the step that clocks know for times finer than a second
INSTANTS = 4  # that stand for all stamps; a single one would be doubted like a lone GPS tag
# Where the blurred limb of a disc lies is known to about this much, pixels, for the Sun's and for
# the Moon's each, and alike in all pictures of a film: they do not average it away. In films at 9
# arcsec per pixel, by two renderers, separations were off by 0.02 to 0.04 px.
LIMB_PX = 0.03


@dataclass(frozen=True)
class Beforehand:
    """What is known of the eclipse and of how films were taken, before their clocks are.

    Attributes
    ----------
    track : SkyTrack
    doubt : Doubt or None
        What is not known of site and air.
    totality_s : tuple of float or None
        When the photosphere vanishes and returns, seconds from the track's epoch.
    rotates : bool or None
        Whether the field turns with the zenith; None tries both.
    limb : KnownLimb or None
        The Moon's.
    """

    track: SkyTrack
    doubt: Doubt | None = None
    totality_s: tuple[float, float] | None = None
    rotates: bool | None = None
    limb: KnownLimb | None = None


@dataclass(frozen=True)
class Timed:
    """A film's entry in clips.json and its N samples on UTC.

    ``since_greatest_s`` counts from the track's epoch; it and its standard error ``sigma_s`` are
    NaN where nothing tells the time.
    """

    entry: dict[str, Any]
    since_greatest_s: Floats
    sigma_s: Floats


def solve_pictures(
    beforehand: Beforehand,
    found: Sequence[LimbMeasurement],
    reading_s: Floats,
    exposure_s: Floats,
    *,
    stamped: bool = False,
) -> ClockSolution | None:
    """Solve for the clock of a device from N pictures that it took.

    Parameters
    ----------
    beforehand : Beforehand
    found : sequence of LimbMeasurement
        The limbs in each picture, in the order of taking.
    reading_s : ndarray, shape (N,)
        The device's clock at the start of each exposure, less the track's epoch, seconds.
    exposure_s : ndarray, shape (N,)
        0 where not known.
    stamped : bool
        Whether the readings are stamps in UTC. These are evidence like GPS tags, but all by one
        clock of a computer, whose error they share: together they count as one instant.

    Returns
    -------
    ClockSolution or None
        None if nothing tells the time.
    """
    n = len(found)
    rows = np.arange(n)
    nothing = np.full(n, "", dtype=object)
    phase = np.array([phase_of(m) for m in found], dtype=object)
    # A film's clock is not set while it runs, so beside crescents totality says nothing more; and
    # a crescent a few pixels wide that passes for it would cost hundreds of seconds.
    covered = phase == "totality"
    if np.count_nonzero(phase == "partial") > np.count_nonzero(covered):
        phase[covered] = "other"
    # The pictures of a film are spaced exactly: what the whole second of the creation time leaves
    # open is part of the clock's offset, and no picture's reading is uncertain by itself.
    readings = Readings(
        nothing,
        phase,
        nothing,
        reading_s - 0.5 * STEP_S,
        np.full(n, STEP_S),
        exposure_s,
        rows.astype(float),
    )
    solution, _ = solve_body(
        beforehand.track,
        Body("", "", rows),
        readings,
        partial_discs(measured_columns(found), phase == "partial", rows),
        lambda row: (found[row].sun_limb, found[row].moon_limb),
        direct=_stamps(reading_s) if stamped else None,
        totality_s=beforehand.totality_s,
        rotates=beforehand.rotates,
        limb=beforehand.limb,
        doubt=beforehand.doubt,
    )
    if solution is None or solution.orientation is None or stamped:
        return solution
    return solution.doubted(np.array([_limbs_s(beforehand.track, solution), 0.0]))


def _limbs_s(track: SkyTrack, solution: ClockSolution) -> float:
    """Return by how many seconds `LIMB_PX` may have moved a clock told by crescents.

    A limb that is misplaced changes the separation of the centres, by the same amount before and
    after greatest eclipse: that is late on one side and early on the other.
    """
    t = solution.own_s[solution.used & np.isfinite(solution.own_s)]
    if not t.size or solution.orientation is None:
        return 0.0
    apart = track.offset_arcsec(t)
    speed = (track.offset_arcsec(t + 1.0) - track.offset_arcsec(t - 1.0)) / 2.0
    pace = np.hypot(*speed.T)
    along = np.sum(apart * speed, axis=1) / (np.hypot(*apart.T) * pace)
    off_arcsec = np.sqrt(2.0) * LIMB_PX * solution.orientation.pixel_scale_arcsec
    return float(abs(np.mean(along / pace)) * off_arcsec)


def _stamps(reading_s: Floats) -> Direct:
    """Return what stamps tell, as a few instants: all of them would outvote any crescents."""
    rows = np.unique(np.linspace(0, reading_s.size - 1, INSTANTS).astype(int))
    n, at = rows.size, reading_s[rows]
    return Direct(
        at - 0.5 * STEP_S,
        np.full(n, STEP_S),
        at,
        np.zeros(n),
        np.full(n, STAMP_SIGMA_S * np.sqrt(n)),
        rows.astype(float),
    )


def timed(
    file: str, sampled: Sampled, beforehand: Beforehand, epoch: Time, zone_hours: float | None
) -> Timed:
    """Return a film's samples on UTC, by its own clock and what they show.

    Parameters
    ----------
    file : str
        Its name in tables.
    sampled : Sampled
    beforehand : Beforehand
    epoch : Time
        Of the track.
    zone_hours : float or None
        What the creation time is said to be ahead of UTC; None takes it as UTC and finds another
        zone.
    """
    clip, at_s = sampled.clip, sampled.at_s
    unknown = Timed(
        entry_of(file, clip, sampled.found), np.full(at_s.size, np.nan), np.full(at_s.size, np.nan)
    )
    if clip.created is None or not clip.paced:
        return unknown
    zone = 0.0 if clip.stamped else zone_hours or 0.0
    begun = clip.created - timedelta(hours=zone) - epoch.utc.to_datetime()
    reading = np.array([(begun + timedelta(seconds=float(s))).total_seconds() for s in at_s])
    # A film does not say how long its pictures are exposed: at most the step between them.
    exposure = np.zeros(at_s.size)
    solution = solve_pictures(beforehand, sampled.found, reading, exposure, stamped=clip.stamped)
    if solution is None:
        return unknown
    return replace(
        unknown,
        entry=unknown.entry | clock_of(clip, solution, at_s, reading, epoch, zone),
        since_greatest_s=solution.since_greatest_s(reading, 0.0),
        sigma_s=solution.sigma_s(reading, 0.0),
    )
