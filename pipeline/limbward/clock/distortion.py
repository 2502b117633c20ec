"""Whether a body's lens distorts, by what its own frames show over the field.

The Sun's disc is drawn larger beside the axis of a lens with distortion than on it, and so is the
corona in one frame than in another: both tell the growth of `limbward.geometry.lens.Lens`, if the
Sun wanders far enough. Its drift across the frame of a fixed camera would tell it too, but with
tags in whole seconds the Sun is 4 arcseconds off along its path, three to ten times as much as a
disc of a camera of 24 megapixels.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from limbward.clock.body_evidence import middle_s
from limbward.clock.readings import Readings
from limbward.clock.solution import ClockSolution
from limbward.geometry.lens import MOST, STRAIGHT, UNTOLD, Growth, Lens, best_of
from limbward.limb.circle import Arc, fit_circles
from limbward.limb.compare import ALIKE, Crops, detail_of
from limbward.limb.corona import Detail
from limbward.limb.partial import Discs, Limbs
from limbward.limb.relief import Aim
from limbward.limb.session import Session, session
from limbward.limb.shift import LEAST_PIXELS, register
from limbward.normal_matrix import inverse
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

LEAST_DISCS = 6  # three numbers are solved for
LEAST_BEND = 1e-4  # by which the squared distances must differ; a wandering Sun's do by 0.1 to 1
AGREE_ROUNDS = 6
AGREED = 0.5  # standard errors by which the last of these may still have changed it
LEAST_POINTS = 60  # of a limb; of fewer the radius is not known
RADIUS_PX = 0.02  # to which no radius is known better: focus and exposure change the limb
LEAST_WANDER = 0.03  # of the distance to the corner, that the corona must move to be compared
MOST_PAIRS, ONCE = 12, 3  # pairs of coronae that are compared, and how often each frame may be
MOST_DETAILS = 24  # held in memory
STOPS = 2.2  # by which their exposures may differ
CLIP = 4.0
ROUNDS = 2  # in which what is found is taken out, and the rest found

Solved = tuple[ClockSolution | None, Discs | None]


def solve_with_lens(
    solve: Callable[[Lens], Solved],
    found: Callable[[ClockSolution, Discs | None, Lens], Growth],
    lens: Lens,
    known: Growth | None,
    start: Growth = UNTOLD,
) -> Solved:
    """Return a body's clock and discs with the distortion of its lens, if it shows, taken out.

    Parameters
    ----------
    solve : callable
        Solves the clock from discs and edge points as the lens would draw them without distortion,
        and returns such discs.
    found : callable
        Returns the growth by what a solution makes of the frames.
    lens : Lens
        Without growth.
    known : Growth, optional
        As a person says.
    start : Growth
        What was known before, with its error.

    Returns
    -------
    tuple
        The solution says what growth was found. The discs are as the lens draws them.
    """
    bent = lens.grown((known or start).value)
    solution, discs = solve(bent)
    if solution is None or solution.orientation is None:
        return solution, None if discs is None else bent_discs(discs, bent)
    growth = known or start.measured(found(solution, discs, bent))
    if known is None and (growth.shows or bent.bends):
        for _ in range(ROUNDS):
            if growth.value == bent.growth:  # as it was known before, and nothing told more
                break
            bent = lens.grown(growth.value)
            solution, discs = solve(bent)
            if solution is None or solution.orientation is None:
                return solution, None if discs is None else bent_discs(discs, bent)
            growth = start.measured(found(solution, discs, bent))
    return (
        replace(solution, growth=growth),
        None if discs is None else bent_discs(discs, bent),
    )


def growth_of(
    track: SkyTrack,
    readings: Readings,
    rows: NDArray[np.int64],
    moons: Mapping[str, Floats],
    limbs: Limbs,
    crops: Crops,
    solution: ClockSolution,
    discs: Discs | None,
    lens: Lens,
) -> Growth:
    """Return a lens's growth by all that a body's frames tell of it.

    Parameters
    ----------
    track : SkyTrack
    readings : Readings
    rows : ndarray of int
        The body's frames.
    moons : mapping of str to ndarray
        Moons as measured in all frames, as `limbward.limb.session.session` takes them.
    limbs, crops : callable
        Take a row, return edge points and the inner corona, as the lens draws them.
    solution : ClockSolution
        With an orientation.
    discs : Discs or None
        As the lens with the growth so far would draw them without distortion.
    lens : Lens
        With that growth.
    """
    orientation = solution.orientation
    assert orientation is not None
    turning = track.leaning(*solution.lean_deg)
    told = []
    if discs is not None:
        t = middle_s(solution, readings, discs.rows) if solution.runs else solution.own_s
        t = np.clip(np.nan_to_num(t), track.first_s, track.last_s)
        aim = Aim(turning, orientation, solution.rotates, t)
        told.append(growth_by_discs(bent_discs(discs, lens), limbs, aim, lens))
    dark = rows[readings.phase[rows] == "totality"]
    if solution.runs and dark.size:
        middle = np.full(readings.phase.size, np.nan)
        middle[dark] = middle_s(solution, readings, dark)
        s = session(dark, middle, readings.exposure_s, moons).straight(lens)
        t = np.clip(s.time_s, track.first_s, track.last_s)
        turn = turning.turned(t) if solution.rotates else np.zeros(t.size)
        sky = zip(turn, track.offset_arcsec(t), strict=True)
        moon = np.array([orientation.turned(d).to_pixels(*o) for d, o in sky]).reshape(-1, 2)
        side = 1.0 if orientation.mirrored else -1.0
        suns = s.moon_x - moon[:, 0], s.moon_y - moon[:, 1]
        told.append(growth_by_coronae(s, *suns, -side * turn, crops, lens))
    return best_of(told)


def straight_discs(discs: Discs, lens: Lens) -> Discs:
    """Return discs as a lens would draw them without distortion."""
    return _mapped(discs, lens.straight_disc)


def bent_discs(discs: Discs, lens: Lens) -> Discs:
    """Return discs as a lens draws them; the inverse of `straight_discs`."""
    return _mapped(discs, lens.bent_disc)


def _mapped(
    discs: Discs, disc: Callable[[Floats, Floats, Floats], tuple[Floats, Floats, Floats]]
) -> Discs:
    sx, sy, sr = disc(discs.sun_x, discs.sun_y, discs.sun_radius)
    mx, my, mr = disc(discs.moon_x, discs.moon_y, discs.moon_radius)
    return replace(discs, sun_x=sx, sun_y=sy, sun_radius=sr, moon_x=mx, moon_y=my, moon_radius=mr)


def straight_limbs(limbs: Limbs, lens: Lens) -> Limbs:
    """Return what gives edge points as a lens would draw them without distortion."""

    def straightened(row: int) -> tuple[Floats, Floats]:
        sun, moon = limbs(row)
        return _straight_points(sun, lens), _straight_points(moon, lens)

    return straightened if lens.bends else limbs


def _straight_points(points: Floats, lens: Lens) -> Floats:
    return np.column_stack([*lens.straight(points[:, 0], points[:, 1]), points[:, 2]])


def growth_by_discs(discs: Discs, limbs: Limbs, aim: Aim, lens: Lens = STRAIGHT) -> Growth:
    """Return the growth by the sizes of the Sun's disc over the field.

    Parameters
    ----------
    discs : Discs
        N partial frames, as the lens draws them.
    limbs : callable
        Takes a row, returns the edge points of the Sun's limb and of the Moon's, likewise.
    aim : Aim
        How the camera was turned in them.
    lens : Lens
        With the growth to begin with.

    Notes
    -----
    The logarithm of the measured radius over that of the ephemeris is ``a + b t + k (2 q**2 +
    R**2)`` in units of the corner's distance (see `Lens.straight_disc`). The slope with time is
    what warmth does to a tube or a lens, and keeps that from passing for distortion. The error
    follows from the scatter. A disc off the axis is drawn longer one way, which by a crescent's arc
    looks like another radius, so that points are made straight and radii fitted until both agree.
    """
    t = np.clip(aim.t, aim.track.first_s, aim.track.last_s)
    expected = aim.track.sun_radius_arcsec(t) / aim.orientation.pixel_scale_arcsec
    points = [limbs(int(row))[0] for row in discs.rows]
    found = rest = UNTOLD
    for _ in range(AGREE_ROUNDS):
        sx, sy, _ = lens.straight_disc(discs.sun_x, discs.sun_y, discs.sun_radius)
        radii = [
            free_radius(_straight_points(p, lens), (float(sx[i]), float(sy[i]), r), aim.at(i)[1])
            for i, (p, r) in enumerate(zip(points, expected.tolist(), strict=True))
        ]
        size, sigma = np.array(radii, float).reshape(-1, 2).T
        bend = 2.0 * lens.squared(sx, sy) + (expected / lens.corner) ** 2
        rest = _growth_left(size / expected, sigma / expected, RADIUS_PX / expected, t, bend)
        if not np.isfinite(rest.sigma) or abs(lens.growth + rest.value) > MOST:
            return UNTOLD
        lens = lens.grown(lens.growth + rest.value)
        found = Growth(lens.growth, rest.sigma, "discs")
        if abs(rest.value) < 0.1 * rest.sigma:
            break
    # A Sun that the frame cuts off shows its limb to two sides only: there, making points straight
    # changes radii by more than distortion does, and each round asks for more of it.
    return found if abs(rest.value) < AGREED * rest.sigma else UNTOLD


def _growth_left(size: Floats, sigma: Floats, floor: Floats, t: Floats, bend: Floats) -> Growth:
    """Return the growth that sizes (N,) over the expected ones show, see `growth_by_discs`."""
    known = np.isfinite(size + sigma) & (size > 0)
    y = np.log(np.where(known, size, 1.0))
    design = np.column_stack([np.ones(t.size), t / 3600.0, bend])
    error = np.hypot(np.where(known, sigma, 1.0), floor)
    keep, extra = known, 0.0
    answer, covariance = np.zeros(3), np.zeros((3, 3))
    for _ in range(8):
        if keep.sum() < LEAST_DISCS or np.ptp(bend[keep]) < LEAST_BEND:
            return UNTOLD
        w = 1.0 / (error[keep] ** 2 + extra**2)
        covariance = inverse((design[keep] * w[:, None]).T @ design[keep])
        answer = covariance @ (design[keep].T @ (w * y[keep]))
        rest = y - design @ answer
        chi2 = float(np.sum(w * rest[keep] ** 2)) / (keep.sum() - 3)
        if chi2 > 1.0:
            extra = float(np.sqrt(extra**2 + (chi2 - 1.0) * np.median(1.0 / w)))
        keep = known & (np.abs(rest) < CLIP * np.hypot(error, extra))
    return Growth(float(answer[2]), float(np.sqrt(covariance[2, 2])), "discs")


def free_radius(
    points: Floats, start: tuple[float, float, float], refraction: Floats
) -> tuple[float, float]:
    """Return a disc's radius by its edge points alone, and its standard error, pixels.

    Parameters
    ----------
    points : ndarray, shape (N, 3)
        x, y and standard error.
    start : (float, float, float)
        Centre and radius, near those of the disc.
    refraction : ndarray, shape (2, 2)
        What refraction does to offsets, pixels.

    Returns
    -------
    (float, float)
        NaN if the points do not tell.
    """
    if len(points) < LEAST_POINTS or not np.isfinite(refraction).all():
        return np.nan, np.nan
    at = np.linalg.inv(refraction) @ (points[:, :2] - np.array(start[:2])).T
    try:
        fit = fit_circles([Arc(at[0], at[1], points[:, 2])], [(0.0, 0.0, start[2])])
    except (ValueError, np.linalg.LinAlgError):
        return np.nan, np.nan
    circle = fit.circles[0]
    angle = np.arctan2(at[1] - circle.y, at[0] - circle.x)
    design = np.column_stack([np.cos(angle), np.sin(angle), np.ones(angle.size)])
    rest = np.hypot(at[0] - circle.x, at[1] - circle.y) - circle.radius
    spread = 1.4826 * float(np.median(np.abs(rest)))
    # Neighbouring edge points share pixels.
    normal = design.T @ design / (3.0 * max(spread, 1e-3) ** 2)
    return circle.radius, float(np.sqrt(inverse(normal)[2, 2]))


def growth_by_coronae(
    s: Session, sun_x: Floats, sun_y: Floats, turn_deg: Floats, crops: Crops, lens: Lens
) -> Growth:
    """Return the growth by coronae in frames of totality that are far from each other.

    Parameters
    ----------
    s : Session
        N frames, their Moons as a lens would draw them without distortion.
    sun_x, sun_y : ndarray, shape (N,)
        Where the Sun is in them, likewise.
    turn_deg : ndarray, shape (N,)
        How far each picture is turned, from x towards y.
    crops : callable
        Takes a row, returns its `Crop` or None.
    lens : Lens
        With the growth already taken out.
    """

    @lru_cache(maxsize=MOST_DETAILS)
    def detail(k: int) -> Detail | None:
        found = detail_of(crops, s, k, lens)
        enough = found is not None and np.count_nonzero(found.weight) >= LEAST_PIXELS
        return found if enough else None

    value: list[float] = []
    error: list[float] = []
    times = dict.fromkeys(range(s.rows.size), 0)
    for i, j in far_apart(s, sun_x, sun_y, lens):
        if len(value) == MOST_PAIRS:
            break
        if times[i] >= ONCE or times[j] >= ONCE:
            continue
        first, second = detail(i), detail(j)
        for k, seen in ((i, first), (j, second)):
            times[k] += 1 if seen is not None else ONCE
        if first is None or second is None:
            continue
        suns = (float(sun_x[i]), float(sun_y[i])), (float(sun_x[j]), float(sun_y[j]))
        turn = float(turn_deg[i] - turn_deg[j])
        shift = register(first, second, *suns, turn_deg=turn, lens=lens, with_growth=True)
        if shift is not None and shift.correlation > ALIKE and np.isfinite(shift.sigma_growth):
            value.append(shift.growth)
            error.append(shift.sigma_growth)
    if len(value) < 3:
        return UNTOLD
    values, errors = np.array(value), np.array(error)
    middle = float(np.median(values))
    spread = 1.4826 * float(np.median(np.abs(values - middle)))
    good = np.abs(values - middle) < CLIP * np.hypot(errors, spread)
    weight = 1.0 / (errors[good] ** 2 + spread**2)
    mean = float(weight @ values[good] / weight.sum())
    # Pairs share frames, each up to `ONCE`.
    sigma = float(np.sqrt(ONCE / weight.sum()))
    return Growth(lens.growth + mean, sigma, "coronae")


def far_apart(s: Session, sun_x: Floats, sun_y: Floats, lens: Lens) -> list[tuple[int, int]]:
    """Return pairs of frames with like exposures whose Suns lie far apart, the furthest first."""
    known = [int(i) for i in np.flatnonzero(np.isfinite(sun_x + sun_y) & (s.exposure_s > 0))]
    pairs = []
    for a, i in enumerate(known):
        for j in known[a + 1 :]:
            apart = np.hypot(sun_x[i] - sun_x[j], sun_y[i] - sun_y[j]) / lens.corner
            stops = abs(np.log2(s.exposure_s[i] / s.exposure_s[j]))
            if apart > LEAST_WANDER and stops < STOPS:
                pairs.append((float(apart), i, j))
    return [(i, j) for _, i, j in sorted(pairs, reverse=True)]
