"""When each frame of a camera was taken by its clock's solution."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from limbward.clock.between import Run, contradicted, times_between, times_by_order, windows
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SAME_S = 1e-6  # clocks that differ by less are one
SETTING_S = 10.0  # a crescent that its clock dates so wrongly is not a badly measured one
# A crescent whose sagitta is a pixel or two agrees with its clock within six of its errors though
# it is a minute off; from here on it is rather a setting of the clock before or after all others.
FAR_SIGMA = 4.0  # of the crescent's own error
OUTLIER_SIGMA = 3.0  # of the stated error, that a crescent is off which agrees with no clock
OWN_S = 3.0  # how well a crescent dates itself, site and air included
UNSURE_S = 10.0  # a frame whose place beside a setting leaves so much open is spoken of


def frame_times(
    solution: ClockSolution,
    body: Body,
    readings: Readings,
    crescents: NDArray[np.int64],
    totality_s: tuple[float, float] | None,
) -> tuple[Floats, Floats, list[str]]:
    """Return begin and standard error of each of a body's frames, and warnings.

    Parameters
    ----------
    solution : ClockSolution
    body : Body
    readings : Readings
    crescents : ndarray of int
        Rows of the crescents that the solution's arrays are of.
    totality_s : tuple of float or None
        When the photosphere vanishes and returns, seconds from the epoch.

    Returns
    -------
    t, sigma : ndarray
        Seconds from the epoch, one a row of ``body.rows``.
    warnings : list of str

    Notes
    -----
    Crescents that agree with the solution tell the piece of the clock that they belong to. Frames
    between two of one piece belong to it, unless that contradicts what they show or the order of
    their names; frames between two pieces are dated by `times_between`.
    """
    if not solution.runs:
        return _without_clock(solution, body, readings, crescents, totality_s)
    order = readings.order[body.rows]
    at = np.argsort(order, kind="stable")
    rows = body.rows[at]
    reading, step = readings.reading_s[rows], readings.resolution_s[rows]
    t = solution.since_greatest_s(reading, step, order[at])
    sigma = solution.sigma_s(reading, step, order[at])
    extra = np.zeros(t.size)
    if np.unique(order).size == order.size and crescents.size:
        run = Run(reading, step, readings.exposure_s[rows], readings.phase[rows])
        low, high = windows(run, totality_s)
        clocks, alone = _anchors(solution, rows, order[at], t, crescents)
        for first, last in _stretches(np.flatnonzero(np.isfinite(clocks)), rows.size):
            here = slice(first, last + 1)
            part, bounds = run.of(here), (low[here], high[here])
            # By what the clocks of the two ends differ from the one that ``t`` is by.
            left, right = _ends(clocks, first, last)
            plain = solution.since_greatest_s(reading[here], step[here])
            before, after = plain - left, plain - right
            if abs(left - right) > SAME_S or contradicted(part, before, *bounds):
                t[here], extra[here] = times_between(part, before, after, totality_s, *bounds)
            elif np.isnan(clocks[[first, last]]).any():
                t[here] = before  # a crescent alone at an end may have a clock of its own
        extra = np.maximum(extra, _beyond(clocks, t))
        extra[alone >= 0] = np.maximum(extra, alone / OUTLIER_SIGMA)[alone >= 0]
    warnings = _unsure(readings, rows, extra)
    back = np.empty(at.size, np.int64)
    back[at] = np.arange(at.size)
    return t[back], np.hypot(sigma, extra)[back], warnings


def _anchors(
    solution: ClockSolution,
    rows: NDArray[np.int64],
    order: Floats,
    t: Floats,
    crescents: NDArray[np.int64],
) -> tuple[Floats, Floats]:
    """Return by how much later each crescent's clock reads than the first piece's, and outliers.

    NaN for frames that tell no clock. A crescent that agrees with no piece, or only because it
    tells little, but lies on the Moon's path, is alone between two settings, if it is far enough
    off not to be badly measured; the second array is how far off the others are, -1 for all that
    agree.
    """
    later = np.array([solution.offset_of(k) for k in range(len(solution.steps) + 1)])
    later = later - solution.offset_s
    clocks, alone = np.full(rows.size, np.nan), np.full(rows.size, -1.0)
    place = {row: i for i, row in enumerate(rows)}
    drift = 1.0 + solution.drift_s_per_hour / 3600.0
    for k, row in enumerate(crescents):
        i = place[row]
        piece = solution.piece(order[i : i + 1])[0]
        if solution.used[k] and not _far(solution, k, t[i]):
            clocks[i] = later[piece] / drift
        elif np.isfinite(solution.own_s[k]):
            off = t[i] - solution.own_s[k]
            alone[i] = abs(off)
            if abs(off) > SETTING_S:
                clocks[i] = later[piece] / drift + off
        elif np.isfinite(solution.residual_s[k]):
            alone[i] = abs(solution.residual_s[k])
    return clocks, alone


def _far(solution: ClockSolution, k: int, t: float) -> bool:
    """Whether a crescent's own date is so far from its clock's that this is no accident."""
    off = abs(t - solution.own_s[k])
    return bool(off > max(SETTING_S, FAR_SIGMA * solution.own_sigma_s[k]))


def _beyond(clocks: Floats, t: Floats) -> Floats:
    """Return what may be off before the first crescent and after the last, seconds.

    A clock that is known to have been set may have been set there, too, as often and by as much.
    """
    known = np.flatnonzero(np.isfinite(clocks))
    steps = np.diff(clocks[known])
    steps = steps[np.abs(steps) > SAME_S]
    beyond = np.zeros(t.size)
    if not steps.size:
        return beyond
    first, last = known[0], known[-1]
    span = max(float(t[last] - t[first]), 1.0)
    away = np.maximum(np.maximum(t[first] - t, t - t[last]), 0.0)
    at = np.arange(t.size)
    chance = np.minimum(steps.size * away / span, 1.0)
    size = float(np.max(np.abs(steps)))
    share = np.maximum(np.sqrt(chance), 1.0 / OUTLIER_SIGMA)
    return np.where((at < first) | (at > last), size * share, 0.0)


def _ends(clocks: Floats, first: int, last: int) -> tuple[float, float]:
    """Return the clocks of both ends of a stretch; that of the one which has any, for both."""
    left, right = clocks[first], clocks[last]
    left = right if np.isnan(left) else left
    return float(left), float(left if np.isnan(right) else right)


def _without_clock(
    solution: ClockSolution,
    body: Body,
    readings: Readings,
    crescents: NDArray[np.int64],
    totality_s: tuple[float, float] | None,
) -> tuple[Floats, Floats, list[str]]:
    """Return times by the crescents themselves; for other frames, by order and what they show."""
    order = readings.order[body.rows]
    at = np.argsort(order, kind="stable")
    rows = body.rows[at]
    zero = np.zeros(rows.size)
    run = Run(zero, zero, readings.exposure_s[rows], readings.phase[rows])
    low, high = windows(run, totality_s)
    own = np.full(rows.size, np.nan)
    place = {row: i for i, row in enumerate(rows)}
    for k, row in enumerate(crescents):
        if solution.used[k]:
            own[place[row]] = solution.own_s[k]
    known = np.isfinite(own)
    low[known], high[known] = own[known] - OWN_S, own[known] + OWN_S
    t, sigma = times_by_order(low, high)
    t[known], sigma[known] = own[known], OWN_S
    back = np.empty(at.size, np.int64)
    back[at] = np.arange(at.size)
    return t[back], sigma[back], []


def _stretches(used: NDArray[np.int64], n: int) -> list[tuple[int, int]]:
    """Return the first and last frame of each stretch without a crescent inside."""
    ends = [*([0] if used.size and used[0] > 0 else []), *used.tolist()]
    if ends and ends[-1] < n - 1:
        ends.append(n - 1)
    return [(a, b) for a, b in pairwise(ends) if b > a]


def _unsure(readings: Readings, rows: NDArray[np.int64], extra: Floats) -> list[str]:
    unsure = rows[extra > UNSURE_S]
    if not unsure.size:
        return []
    files = readings.file
    return [
        f"It is not certain when the clock was set: the times of {unsure.size} frames (from "
        f"{files[unsure[0]]} to {files[unsure[-1]]}) are uncertain by up to {np.max(extra):.0f} "
        "s. To settle it, name a reference shot among them under timing.references in the config."
    ]


def piece_at_epoch(solution: ClockSolution, body: Body, readings: Readings, t: Floats) -> int:
    """Return how many steps of a clock came before the epoch.

    Parameters
    ----------
    solution : ClockSolution
    body : Body
    readings : Readings
    t : ndarray
        Begin of the exposures of ``body.rows``, seconds from the epoch.
    """
    if not solution.steps or not np.isfinite(t).any():
        return 0
    k = _at_epoch(t)
    row = body.rows[k]
    read = readings.reading_s[row] + 0.5 * readings.resolution_s[row]
    offset = read - t[k] * (1.0 + solution.drift_s_per_hour / 3600.0)
    pieces = [solution.offset_of(i) for i in range(len(solution.steps) + 1)]
    return int(np.argmin(np.abs(np.array(pieces) - offset)))


def open_at_epoch(
    solution: ClockSolution, body: Body, readings: Readings, t: Floats, sigma: Floats
) -> float:
    """Return the error of a clock at the epoch that is left by not knowing when it was set, s.

    Parameters
    ----------
    solution, body, readings, t
        As for `piece_at_epoch`.
    sigma : ndarray
        Of ``t``, as `frame_times` has it.
    """
    if not solution.steps or not np.isfinite(t).any():
        return 0.0
    k = _at_epoch(t)
    row = body.rows[k : k + 1]
    read, step, order = readings.reading_s[row], readings.resolution_s[row], readings.order[row]
    known = float(solution.sigma_s(read, step, order)[0])
    return float(np.sqrt(max(sigma[k] ** 2 - known**2, 0.0)))


def _at_epoch(t: Floats) -> int:
    """Return the last frame before the epoch, or else the nearest to it."""
    before = np.where(t <= 0, t, -np.inf)
    return int(np.argmax(before)) if np.isfinite(before).any() else int(np.nanargmin(np.abs(t)))
