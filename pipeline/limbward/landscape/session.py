"""A session of wide frames solved: its clock, its lens, how the tripod stood, what shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.angle import half_turn
from limbward.landscape.crescent import light_left
from limbward.landscape.fit import LIGHT, Fit, Priors, Sights, predicted, solve
from limbward.landscape.guess import DRIFT_DEG, FOCAL_TRIES, Guess, by_drift, by_pattern
from limbward.landscape.heavens import Heavens
from limbward.landscape.lens import Camera, Lens, Pose, altitude_azimuth
from limbward.landscape.light_clock import LightClock, clock_from_light
from limbward.landscape.naming import Names, name_points
from limbward.landscape.seen import Seen

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

GONE = 5e-4  # share of the Sun's light below which the corona is what shows
CORONA_DEG = 0.02  # how far the middle of the inner corona may lie from the Sun's
JUMP = 1.6  # times the drift, and some pixels: more between two frames is a tripod that was moved
JUMP_PX = 0.006  # of the frame's width
BRIGHTEST = 1.7  # magnitude down to which bodies make the pattern that is looked for
WELL_PX = 0.004  # of the width: a first fit that is this good names points
WORTH = 40.0  # of a body that a lens names, against its squared misfits
MOST_STANDS = 40
FOCAL_SIGMA, ANY_FOCAL_SIGMA = (
    0.05,
    0.3,
)  # of the focal length a lens tells, or of one that is tried
CLOCK_REACH_S, ANY_ZONE_S = 900.0, 14.5 * 3600.0  # how far a clock is off, with and without a zone


@dataclass(frozen=True)
class Frame:
    """A wide frame to solve.

    Attributes
    ----------
    reading_s : float
        The clock's at the middle of the exposure, seconds from the epoch; NaN if it has none.
    light : float
        Exposure times sensitivity: what ADU are divided by to be comparable.
    seen : Seen
    """

    reading_s: float
    light: float
    seen: Seen


@dataclass(frozen=True)
class Known:
    """What is known beforehand of a session.

    Attributes
    ----------
    focals_px : tuple of float
        Focal lengths that it may have, pixels, the likeliest first.
    focal_sigma : float
        Error of the right one of them, relative.
    offset_s, offset_reach_s : float
        The clock's reading minus UTC, and how far it may be off; ignored if sigma is given.
    offset_sigma_s : float or None
        Its error, if other frames or the configuration have told the clock.
    faintest : float
        Magnitude of the faintest stars to name.
    """

    focals_px: tuple[float, ...]
    focal_sigma: float
    offset_s: float
    offset_reach_s: float
    offset_sigma_s: float | None = None
    faintest: float = 3.5


def known_of(
    focals_px: tuple[float, ...], focal_mm: float | None, zone_hours: float | None,
    sigma_s: float | None, faintest: float,
) -> Known:  # fmt: skip
    """Return what is known beforehand by what files and people say.

    Parameters
    ----------
    focals_px : tuple of float
    focal_mm : float or None
        As the lens tells it; None where it does not.
    zone_hours : float or None
        Of the camera's clock; None where nobody says it.
    sigma_s : float or None
        Error of the frames' times if they are UTC already.
    faintest : float
    """
    sigma = FOCAL_SIGMA if focal_mm is not None else ANY_FOCAL_SIGMA
    offset = 0.0 if sigma_s is not None or zone_hours is None else 3600.0 * zone_hours
    reach = ANY_ZONE_S if zone_hours is None else CLOCK_REACH_S
    return Known(focals_px, sigma, offset, reach, sigma_s, faintest)


@dataclass(frozen=True)
class Session:
    """What is found of a session of N frames.

    Attributes
    ----------
    fit : Fit
    clock : LightClock or None
        From the light alone.
    stand : ndarray of int, shape (N,)
        The tripod's place of each frame; -1 where it is not known.
    names : list of Names
        Of each frame.
    off_px : ndarray, shape (N,)
        Root mean square of what is sighted in each frame; NaN where nothing is.
    level_assumed : list of bool
        Of each stand: whether nothing but the Sun told how the camera was turned.
    """

    fit: Fit
    clock: LightClock | None
    stand: Ints
    names: list[Names]
    off_px: Floats
    level_assumed: list[bool]

    def camera(self, frame: int) -> Camera:
        """Return lens and pose of a frame."""
        return self.fit.camera(int(self.stand[frame]))


def solve_session(frames: Sequence[Frame], heavens: Heavens, known: Known) -> Session | None:
    """Solve frames of one camera and one lens.

    Parameters
    ----------
    frames : sequence of Frame
        In the order of shooting.
    heavens : Heavens
    known : Known

    Returns
    -------
    Session or None
        None if the Sun shows in no frame with a time.
    """
    reading = np.array([f.reading_s for f in frames])
    clock = None
    offset, sigma = known.offset_s, known.offset_sigma_s
    if sigma is None:
        clock = _clock(frames, reading, heavens, known)
        offset = clock.offset_s if clock is not None else offset
        sigma = clock.sigma_s if clock is not None else max(30.0, known.offset_reach_s / 3.0)
    if not any(f.seen.sun is not None and np.isfinite(f.reading_s) for f in frames):
        return None
    suns = _sun_sights(frames, reading, heavens, offset, known)
    stands = _stands(suns, heavens, offset, known.focals_px[0], frames[0].seen.width)
    suns = _with_stands(suns, stands)
    best = _best_lens(frames, suns, heavens, known, offset, sigma)
    if best is None:
        return None
    lens, first = best
    poses, level = _all_poses(frames, suns, heavens, lens, first, offset)
    priors = Priors(lens.focal_px, known.focal_sigma, offset, sigma)
    fit = solve(heavens, suns, lens, poses, priors, lens_free=False)
    names: list[Names] = []
    for reach in (2.5, 1.5, 1.0):
        of_frame = _stand_of_frames(len(frames), suns, reading)
        names = _named(frames, reading, of_frame, heavens, fit, known.faintest, reach)
        sights = _with_points(frames, reading, of_frame, suns, names)
        fit = solve(heavens, sights, fit.lens, fit.poses, priors)
    of_frame = _stand_of_frames(len(frames), suns, reading)
    names = _named(frames, reading, of_frame, heavens, fit, known.faintest, 1.0)
    square = np.bincount(sights.frame, (fit.residual_px**2).sum(axis=1), len(frames))
    count = np.bincount(sights.frame, minlength=len(frames))
    with np.errstate(invalid="ignore"):
        off = np.sqrt(square / np.where(count > 0, count, np.nan))
    return Session(fit, clock, of_frame, names, off, level)


def _clock(
    frames: Sequence[Frame], reading: Floats, heavens: Heavens, known: Known
) -> LightClock | None:
    nothing = float("nan")
    filtered = np.array([
        f.seen.sun.flux / f.light if f.seen.dark and f.seen.sun is not None else nothing
        for f in frames
    ])  # fmt: skip
    sky = np.array([nothing if f.seen.dark else f.seen.level / f.light for f in frames])
    timed = np.isfinite(reading)
    return clock_from_light(
        heavens, reading[timed], filtered[timed], sky[timed], known.offset_s, known.offset_reach_s
    )


def _sun_sights(
    frames: Sequence[Frame], reading: Floats, heavens: Heavens, offset: float, known: Known
) -> Sights:
    rows = [k for k, f in enumerate(frames) if f.seen.sun is not None and np.isfinite(reading[k])]
    t = np.clip(reading[rows] - offset, heavens.first_s, heavens.last_s)
    gone = light_left(heavens, t).share < GONE
    suns = [s for k in rows if (s := frames[k].seen.sun) is not None]
    corona = np.radians(CORONA_DEG) * known.focals_px[0]
    sigma = np.array([s.sigma for s in suns])
    return Sights(
        np.array(rows, int),
        np.zeros(len(rows), int),
        np.where(gone, 0, LIGHT),
        np.array([s.clipped for s in suns], bool),
        reading[rows],
        np.array([s.x for s in suns]),
        np.array([s.y for s in suns]),
        np.where(gone, np.hypot(sigma, corona), sigma),
    )


def _stands(suns: Sights, heavens: Heavens, offset: float, focal: float, width: int) -> Ints:
    """Return a number for each sight that changes where the tripod was moved."""
    vector = predicted(heavens, suns, offset)
    moved = np.linalg.norm(np.diff(vector, axis=0), axis=-1) * focal
    seen = np.hypot(np.diff(suns.x), np.diff(suns.y))
    jump = seen > JUMP * moved + JUMP_PX * width + 3.0 * np.maximum(suns.sigma[1:], suns.sigma[:-1])
    number = np.concatenate([[0], np.cumsum(jump)])
    return np.minimum(number, MOST_STANDS - 1)


def _with_stands(suns: Sights, stand: Ints) -> Sights:
    return Sights(**{**vars(suns), "stand": stand})


def _best_lens(
    frames: Sequence[Frame],
    suns: Sights,
    heavens: Heavens,
    known: Known,
    offset: float,
    sigma: float,
) -> tuple[Lens, tuple[int, Pose]] | None:
    """Return the lens, and one of the stands with its pose, that fit the richest frames best."""
    stand, guesses = _guesses(frames, suns, heavens, known, offset)
    best = None
    for guess in guesses:
        lens = guess.camera.lens
        priors = Priors(_nearest(known.focals_px, lens.focal_px), known.focal_sigma, offset, sigma)
        mine = suns.take(suns.stand == stand)
        mine = _with_stands(mine, np.zeros_like(mine.stand))
        fit = solve(heavens, mine, lens, [guess.camera.pose], priors, lens_free=False)
        where = np.full(len(frames), -1)
        where[mine.frame] = 0
        readings = np.array([f.reading_s for f in frames])
        score = 0.0
        for reach in (6.0, 3.0, 1.5):
            names = _named(frames, readings, where, heavens, fit, BRIGHTEST, reach)
            sights = _with_points(frames, readings, where, mine, names)
            fit = solve(heavens, sights, fit.lens, fit.poses, priors)
            # Each body that is named is worth more than any misfit within its reach.
            score = fit.cost - WORTH * len({n.body for found in names for n in found.named})
        if best is None or score < best[0]:
            best = (score, fit)
    return None if best is None else (best[1].lens, (stand, best[1].poses[0]))


def _nearest(values: Sequence[float], value: float) -> float:
    return min(values, key=lambda v: abs(np.log(v / value)))


def _guesses(
    frames: Sequence[Frame], suns: Sights, heavens: Heavens, known: Known, offset: float
) -> tuple[int, list[Guess]]:
    """Return guesses of the lens from the stand that tells most of it."""
    seen = frames[0].seen
    size = (seen.width, seen.height)
    focals = [f * r for f in known.focals_px for r in FOCAL_TRIES]
    vector = predicted(heavens, suns, offset)
    drift = [_spread(vector[suns.stand == s]) for s in range(int(suns.stand.max()) + 1)]
    widest = int(np.argmax(drift))
    centre = (0.5 * (size[0] - 1), 0.5 * (size[1] - 1))
    if drift[widest] > DRIFT_DEG:
        rows = suns.stand == widest
        sun_px = np.stack([suns.x, suns.y], axis=-1)[rows]
        return widest, by_drift(sun_px, vector[rows], focals, centre)
    counts = [frames[k].seen.points.x.size for k in suns.frame]
    k = int(np.argmax(counts))
    points = frames[int(suns.frame[k])].seen.points
    where = np.array([suns.x[k], suns.y[k]])
    stand = int(suns.stand[k])
    if not counts[k]:
        return stand, _level_guesses(where, vector[k], known.focals_px[:1], centre)
    t = float(np.clip(suns.reading_s[k] - offset, heavens.first_s, heavens.last_s))
    bright = heavens.magnitude < BRIGHTEST
    found = by_pattern(
        where,
        vector[k],
        np.stack([points.x, points.y], axis=-1),
        heavens.vectors(np.array(t))[bright],
        heavens.magnitude[bright],
        focals,
        size,
    )
    return stand, found


def _level_guesses(
    where: Floats, sun: Floats, focals: Sequence[float], centre: tuple[float, float]
) -> list[Guess]:
    """Return a level camera that has the Sun in its place."""
    return [
        Guess(Camera(lens, _level(lens, where, sun)), 0.0)
        for lens in (Lens("rectilinear", f, 0.0, centre) for f in focals)
    ]


def _level(lens: Lens, where: Floats, sun: Floats) -> Pose:
    altitude, azimuth = (float(a) for a in altitude_azimuth(sun))
    pose = Pose.of(altitude, azimuth)
    for _ in range(50):
        there = Camera(lens, pose).to_sky(where)
        found = altitude_azimuth(there)
        aside = half_turn(azimuth - float(found[1]))
        pose = Pose.of(pose.altitude + altitude - float(found[0]), pose.azimuth + aside)
    return pose


def _spread(vector: Floats) -> float:
    """Return the largest angle from the first of some directions, degrees."""
    if len(vector) < 3:
        return 0.0
    chord = np.linalg.norm(vector - vector[0], axis=-1).max()
    return float(np.degrees(2.0 * np.arcsin(min(chord / 2.0, 1.0))))


def _all_poses(
    frames: Sequence[Frame],
    suns: Sights,
    heavens: Heavens,
    lens: Lens,
    first: tuple[int, Pose],
    offset: float,
) -> tuple[list[Pose], list[bool]]:
    """Return a pose for each stand, and whether it is only assumed to be level."""
    vector = predicted(heavens, suns, offset)
    seen = frames[0].seen
    poses, level = [], []
    for stand in range(int(suns.stand.max()) + 1):
        rows = np.flatnonzero(suns.stand == stand)
        if stand == first[0]:
            poses.append(first[1])
            # True only where neither drift nor points could tell.
            told = _spread(vector[rows]) > 1.0 or any(
                frames[int(k)].seen.points.x.size for k in suns.frame[rows]
            )
            level.append(not told)
            continue
        counts = [frames[int(k)].seen.points.x.size for k in suns.frame[rows]]
        k = int(rows[int(np.argmax(counts))])
        where = np.array([suns.x[k], suns.y[k]])
        if _spread(vector[rows]) > DRIFT_DEG:
            sun_px = np.stack([suns.x, suns.y], axis=-1)[rows]
            made = by_drift(sun_px, vector[rows], [lens.focal_px], lens.centre)
            same = [g for g in made if g.camera.lens.projection == lens.projection]
            poses.append(same[0].camera.pose)
            level.append(False)
        elif max(counts) > 0:
            points = frames[int(suns.frame[k])].seen.points
            t = float(np.clip(suns.reading_s[k] - offset, heavens.first_s, heavens.last_s))
            bright = heavens.magnitude < BRIGHTEST
            made = by_pattern(
                where, vector[k], np.stack([points.x, points.y], axis=-1),
                heavens.vectors(np.array(t))[bright], heavens.magnitude[bright],
                [lens.focal_px], (seen.width, seen.height), [lens.projection],
            )  # fmt: skip
            poses.append(made[0].camera.pose if made else _level(lens, where, vector[k]))
            level.append(not made)
        else:
            poses.append(_level(lens, where, vector[k]))
            level.append(True)
    return poses, level


def _stand_of_frames(count: int, suns: Sights, reading: Floats) -> Ints:
    """Return the stand of each frame; without the Sun, that of its neighbours if both agree."""
    stand = np.full(count, -1)
    stand[suns.frame] = suns.stand
    known = np.flatnonzero(stand >= 0)
    for k in np.flatnonzero((stand < 0) & np.isfinite(reading)):
        before, after = known[known < k], known[known > k]
        near = {int(stand[before[-1]])} if before.size else set()
        near |= {int(stand[after[0]])} if after.size else set()
        if len(near) == 1:
            stand[k] = near.pop()
    return stand


def _named(
    frames: Sequence[Frame],
    reading: Floats,
    stand: Ints,
    heavens: Heavens,
    fit: Fit,
    faintest: float,
    reach: float,
) -> list[Names]:
    nothing = Names([], float("nan"), float("nan"))
    names = []
    for k, frame in enumerate(frames):
        if stand[k] < 0 or not np.isfinite(reading[k]) or not frame.seen.points.x.size:
            names.append(nothing)
            continue
        t = float(np.clip(reading[k] - fit.offset_s, heavens.first_s, heavens.last_s))
        px = reach * max(1.0, frame.seen.width / 1500.0)
        points = frame.seen.points
        names.append(name_points(fit.camera(int(stand[k])), heavens, t, points, px, faintest))
    return names


def _with_points(
    frames: Sequence[Frame], reading: Floats, stand: Ints, suns: Sights, names: Sequence[Names]
) -> Sights:
    """Return the sights of the Sun and of all bodies that are named."""
    rows = [
        (k, int(stand[k]), n.body, reading[k], p.x[n.point], p.y[n.point], p.sigma[n.point])
        for k, (frame, found) in enumerate(zip(frames, names, strict=True))
        for n in found.named
        if (p := frame.seen.points) is not None
    ]
    if not rows:
        return suns
    frame, at, body, when, x, y, sigma = (np.array(c) for c in zip(*rows, strict=True))
    return Sights(
        np.concatenate([suns.frame, frame]),
        np.concatenate([suns.stand, at]),
        np.concatenate([suns.body, body]),
        np.concatenate([suns.clipped, np.zeros(len(rows), bool)]),
        np.concatenate([suns.reading_s, when]),
        np.concatenate([suns.x, x]),
        np.concatenate([suns.y, y]),
        np.concatenate([suns.sigma, np.maximum(sigma, 0.08)]),
    )
