"""Which of a camera's frames may show beads, and the want of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from limbward.clock.bead_fit import APART_S, BeadFrames
from limbward.clock.bead_match import FAINTEST, Singles
from limbward.clock.readings import Body, Readings
from limbward.geometry.disc import RIM_BINS

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]
# What a row's frame shows around the Moon's limb, as `limbward.limb.rim.rim_light` has it, or None.
Rims = Callable[[int], Singles | None]

# Seconds outside and inside of the smooth limb's totality in which beads are looked for; by the
# relief C2 and C3 are up to 5 s from the smooth limb's.
OUTSIDE_S, INSIDE_S = 15.0, 8.0
LONGEST_S = 1 / 30  # a longer exposure clips the corona, too
MOST_FRAMES = 16  # a contact; more take longer and share the errors of the relief
MOST_MISSING = 0.1  # of the limb beyond the picture
CLIPPED = 0.99


def short_frames(
    body: Body, readings: Readings, rims: Rims, iso: Floats
) -> tuple[Rows, BeadFrames]:
    """Return the rows and the frames of totality or with beads in which no corona is clipped.

    Parameters
    ----------
    body : Body
    readings : Readings
    rims : callable
    iso : ndarray
        Of all frames that the readings are of; NaN where not known.

    Returns
    -------
    rows : ndarray of int, shape (N,)
        In order of the clock's readings.
    frames : BeadFrames
    """
    rows = body.rows[np.isin(readings.phase[body.rows], ("contact", "totality"))]
    exposure = readings.exposure_s[rows]
    rows = rows[(exposure > 0) & (exposure <= LONGEST_S) & np.isfinite(readings.reading_s[rows])]
    rows = rows[np.argsort(readings.reading_s[rows], kind="stable")]
    levels = {int(row): rims(int(row)) for row in rows}
    kept = [row for row, level in levels.items() if level is not None and _usable(level)]
    rows = np.array(kept, np.int64)
    return rows, BeadFrames(
        readings.reading_s[rows],
        readings.resolution_s[rows],
        readings.exposure_s[rows],
        readings.exposure_s[rows] * np.nan_to_num(iso[rows], nan=100.0) / 100.0,
        np.array([levels[row] for row in kept], np.float32).reshape(len(kept), RIM_BINS),
    )


def _usable(level: Singles) -> bool:
    if np.mean(np.isnan(level)) > MOST_MISSING:
        return False
    return bool(np.nanmedian(level) < 0.5 * FAINTEST)


def near_contacts(
    frames: BeadFrames, offset_s: float, half_s: float, totality_s: tuple[float, float]
) -> Rows:
    """Return which frames are near second or third contact by a clock known to ``half_s``."""
    t = frames.reading_s + 0.5 * frames.resolution_s - offset_s
    second, third = totality_s
    chosen = []
    for contact, low, high in (
        (second, second - OUTSIDE_S, second + INSIDE_S),
        (third, third - INSIDE_S, third + OUTSIDE_S),
    ):
        here = np.flatnonzero((t > low - half_s) & (t < high + half_s))
        closest = np.argsort(np.abs(t[here] - contact), kind="stable")
        chosen.append(here[closest[:MOST_FRAMES]])
    return np.unique(np.concatenate(chosen))


def lit(frames: BeadFrames) -> NDArray[np.bool_]:
    """Return which frames show photosphere, shape (N,)."""
    return np.asarray(np.nanmax(frames.level, axis=1, initial=0.0) > CLIPPED)


def at_one_contact(frames: BeadFrames) -> Rows:
    """Return the frames of the contact at which most show photosphere; there must be one."""
    shown = np.flatnonzero(lit(frames))
    breaks = np.flatnonzero(np.diff(frames.reading_s[shown]) > APART_S) + 1
    most = max(np.split(shown, breaks), key=lambda part: part.size)
    middle = float(np.median(frames.reading_s[most]))
    near = np.flatnonzero(np.abs(frames.reading_s - middle) < APART_S)
    closest = np.argsort(np.abs(frames.reading_s[near] - middle), kind="stable")
    return np.sort(near[closest[:MOST_FRAMES]])
