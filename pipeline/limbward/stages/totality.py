"""Frames of totality of one camera: their limbs, and how they lie to each other on the corona."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.limb.adjust import Adjustment, Limbs, Pairs, adjust, choose_pairs
from limbward.limb.circle import Circle
from limbward.limb.corona import Crop, Detail, Shift, coarse_turn, corona_detail, register
from limbward.sky.track import SkyTrack
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, texts
from limbward.workspace.stored import CROP, read_reduced

Floats = NDArray[np.float64]

ALIKE = 0.3  # correlation of the streamers below which two frames are not taken to be registered
KEPT = 24  # frames' details held in memory; partners are within 14 frames


@dataclass(frozen=True)
class Comparison:
    """A pair of frames (rows of the frame table) and what registering them gave."""

    first: int
    second: int
    shift: Shift
    turn_deg: float


@dataclass(frozen=True)
class Session:
    """A camera's N frames of totality with a measured Moon; ``rows`` of the frame table."""

    rows: NDArray[np.int64]
    time_s: Floats
    exposure_s: Floats
    moon_x: Floats
    moon_y: Floats
    moon_radius: Floats
    moon_sigma: Floats


def session(frames: Table, rows: NDArray[np.int64], time_s: Floats) -> Session:
    """Return the frames of ``rows`` whose Moon was measured, with their times (of all frames)."""
    x = floats(frames, "meas_moon_x")
    exposure = floats(frames, "exposure")
    keep = rows[np.isfinite(x[rows]) & np.isfinite(time_s[rows]) & (exposure[rows] > 0)]
    return Session(
        keep,
        time_s[keep],
        exposure[keep],
        x[keep],
        floats(frames, "meas_moon_y")[keep],
        floats(frames, "meas_moon_radius")[keep],
        floats(frames, "meas_moon_sigma")[keep],
    )


def compare(
    workspace: Workspace,
    frames: Table,
    s: Session,
    sun_x: Floats,
    sun_y: Floats,
    turn_deg: Floats,
    advance: Callable[[], None],
) -> list[Comparison]:
    """Register each frame with a few of the frames after it.

    Parameters
    ----------
    workspace, frames : Workspace, Table
    s : Session
    sun_x, sun_y : ndarray, shape (N,)
        Assumed centres of the Sun.
    turn_deg : ndarray, shape (N,)
        How far each picture is assumed to be turned, from x towards y.
    advance : callable
        Called once a frame.
    """
    reduced = texts(frames, "reduced")

    @lru_cache(maxsize=KEPT)
    def detail(i: int) -> Detail | None:
        stored = read_reduced(workspace.path(reduced[s.rows[i]]), CROP)
        if len(stored) < len(CROP):
            return None
        left, top = stored["crop_origin"]
        crop = Crop(stored["crop"], float(stored["crop_scale"]), (float(left), float(top)))
        moon = Circle(float(s.moon_x[i]), float(s.moon_y[i]), float(s.moon_radius[i]), 0.0)
        return corona_detail(crop, moon)

    found = []
    last = -1
    for i, j in choose_pairs(s.time_s, s.exposure_s):
        if i != last:
            advance()
            last = i
        first, second = detail(i), detail(j)
        if first is None or second is None:
            continue
        suns = (float(sun_x[i]), float(sun_y[i])), (float(sun_x[j]), float(sun_y[j]))
        turn = float(turn_deg[i] - turn_deg[j])
        shift = register(first, second, *suns, turn_deg=turn)
        if shift is None or shift.correlation < ALIKE:
            # Perhaps the camera was turned, or went over the meridian.
            turn, clear = coarse_turn(first, second, *suns)
            if clear > ALIKE:
                shift = register(first, second, *suns, turn_deg=turn)
        if shift is not None and shift.correlation >= ALIKE:
            found.append(Comparison(i, j, shift, turn))
    return found


def pairs_of(comparisons: list[Comparison], sun_x: Floats, sun_y: Floats) -> Pairs:
    """Return the comparisons as differences of Sun centres."""
    first = np.array([c.first for c in comparisons], dtype=np.int64)
    second = np.array([c.second for c in comparisons], dtype=np.int64)
    dx = np.array([c.shift.dx for c in comparisons], dtype=float)
    dy = np.array([c.shift.dy for c in comparisons], dtype=float)
    return Pairs(
        first,
        second,
        dx + sun_x[first] - sun_x[second],
        dy + sun_y[first] - sun_y[second],
        np.array([c.shift.sigma_px for c in comparisons], dtype=float),
    )


def turns_of(comparisons: list[Comparison], n: int) -> tuple[Floats, Floats]:
    """Return by how much each picture is turned (from x towards y), and the standard errors.

    Frames that no pair ties to the others are NaN. The mean of all is arbitrary and set to 0.
    """
    design, right, tied = [], [], np.zeros(n, bool)
    for c in comparisons:
        if not np.isfinite(c.turn_deg + c.shift.turn_deg + c.shift.sigma_deg):
            continue
        row = np.zeros(n)
        weight = 1.0 / max(c.shift.sigma_deg, 1e-3)
        row[c.first], row[c.second] = weight, -weight
        design.append(row)
        right.append((c.turn_deg + c.shift.turn_deg) * weight)
        tied[[c.first, c.second]] = True
    if not design:
        return np.full(n, np.nan), np.full(n, np.nan)
    matrix = np.array(design)[:, tied]
    normal = matrix.T @ matrix
    inverse = np.linalg.pinv(normal, hermitian=True)
    value, sigma = np.full(n, np.nan), np.full(n, np.nan)
    value[tied] = inverse @ (matrix.T @ np.array(right))
    sigma[tied] = np.sqrt(np.diag(inverse))
    return value, sigma


def limbs_of(s: Session, track: SkyTrack, turn_up_deg: Floats) -> Limbs:
    """Return the measured Moons with what the ephemeris says at their times."""
    t = np.clip(s.time_s, track.first_s + 1.0, track.last_s - 1.0)
    velocity = (track.offset_arcsec(t + 1.0) - track.offset_arcsec(t - 1.0)) / 2.0
    return Limbs(s.moon_x, s.moon_y, s.moon_sigma, track.offset_arcsec(t), velocity, turn_up_deg)


def orientation_by_corona(
    s: Session,
    track: SkyTrack,
    comparisons: list[Comparison],
    *,
    time_sigma_s: float,
    scale_arcsec: float | None = None,
) -> tuple[Orientation, Adjustment] | None:
    """Return scale and orientation of a camera that photographed no crescents.

    Parameters
    ----------
    s : Session
    track : SkyTrack
    comparisons : list of Comparison
        Made with the Moons' centres in place of the Suns'.
    time_sigma_s : float
        How well the clock is known.
    scale_arcsec : float, optional
        If it is known; else the Moon's size gives it.

    Returns
    -------
    tuple or None
        None where the frames do not show the Moon move against the corona.

    Notes
    -----
    The Moon's path against the corona is nearly straight, so that it does not tell a mirrored
    picture from one that is turned; it is taken not to be mirrored.
    """
    if s.rows.size < 3 or len(comparisons) < 2:
        return None
    t = np.clip(s.time_s, track.first_s, track.last_s)
    if scale_arcsec is None:
        # The limb of a short exposure is the sharpest and not blooming.
        short = s.exposure_s <= np.quantile(s.exposure_s, 0.3)
        scale_arcsec = float(np.median((track.moon_radius_arcsec(t) / s.moon_radius)[short]))
    pairs = pairs_of(comparisons, s.moon_x, s.moon_y)
    turns, _ = turns_of(comparisons, s.rows.size)
    limbs = limbs_of(s, track, np.nan_to_num(turns))
    best: tuple[float, Orientation, Adjustment] | None = None
    for up in (0.0, 90.0, 180.0, 270.0):
        start = Orientation(scale_arcsec, up)
        found = adjust(limbs, pairs, start, up_sigma_deg=1e3, time_sigma_s=time_sigma_s)
        cost = float(np.sum(np.minimum((found.limb_miss_px / limbs.sigma) ** 2, 100.0)))
        if best is None or cost < best[0]:
            turned = Orientation(scale_arcsec, found.up_position_angle)
            best = (cost, turned, found)
    assert best is not None
    if best[2].up_sigma_deg > 20.0:
        return None
    return best[1], best[2]
