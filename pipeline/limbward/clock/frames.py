"""When each frame of a camera was taken by its clock's solution."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.clock.between import Run, contradicted, times_between, windows
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

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
        used = np.isin(rows, crescents[solution.used])
        for first, last in _stretches(np.flatnonzero(used), rows.size):
            here = slice(first, last + 1)
            part, bounds = run.of(here), (low[here], high[here])
            ends = order[at][[first, last]]
            before, after = (
                solution.since_greatest_s(reading[here], step[here], np.full(t[here].size, end))
                for end in ends
            )
            set_between = solution.piece(ends[:1])[0] != solution.piece(ends[1:])[0]
            if set_between or contradicted(part, before, *bounds):
                t[here], extra[here] = times_between(part, before, after, totality_s, *bounds)
    warnings = _unsure(readings, rows, extra)
    back = np.empty(at.size, np.int64)
    back[at] = np.arange(at.size)
    return t[back], np.hypot(sigma, extra)[back], warnings


def _stretches(used: NDArray[np.int64], n: int) -> list[tuple[int, int]]:
    """Return the first and last frame of each stretch without a crescent inside."""
    ends = [*([0] if used.size and used[0] > 0 else []), *used.tolist()]
    if ends and ends[-1] < n - 1:
        ends.append(n - 1)
    return [(a, b) for a, b in zip(ends[:-1], ends[1:], strict=True) if b > a]


def _unsure(readings: Readings, rows: NDArray[np.int64], extra: Floats) -> list[str]:
    unsure = rows[extra > UNSURE_S]
    if not unsure.size:
        return []
    files = readings.file
    return [
        f"When the clock was set is not certain: the times of {unsure.size} frames (from "
        f"{files[unsure[0]]} to {files[unsure[-1]]}) are known to {np.max(extra):.0f} s at worst. A "
        "reference shot among them, named under timing.references in the config, tells."
    ]
