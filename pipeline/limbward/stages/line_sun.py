"""The Sun of a body that sees a spectral line: how much larger than in white light. Of timing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.clock.body import middle_s
from limbward.clock.readings import Readings
from limbward.clock.solution import ClockSolution
from limbward.limb.excess import excess_of, ratio_of
from limbward.sky.track import SkyTrack
from limbward.workspace import Workspace
from limbward.workspace.measured import limbs_of_rows, measured_discs

Floats = NDArray[np.float64]
Excess = tuple[float, float]


def larger_sun(
    workspace: Workspace,
    frames: Table,
    readings: Readings,
    rows: NDArray[np.int64],
    track: SkyTrack,
    solve: Callable[[SkyTrack], tuple[ClockSolution | None, Any, Any]],
) -> tuple[SkyTrack, Excess | None]:
    """Return the sky with the Sun as large as a body sees it, and its excess with its error.

    Parameters
    ----------
    workspace : Workspace
    frames : Table
        Of ingest.
    readings : Readings
    rows : ndarray of int
        The body's frames.
    track : SkyTrack
    solve : callable
        Returns the body's clock under a sky, and what else it finds.

    Notes
    -----
    The ratio of the radii changes by a thousandth or two in an eclipse, so that it is first taken
    as that of greatest eclipse, and then as that of each frame's time.
    """
    discs, limbs = measured_discs(frames), limbs_of_rows(workspace, frames)
    known = np.isfinite(discs["sun_x"] + discs["moon_x"]) & (readings.phase == "partial")
    rows = rows[known[rows]]

    def start(name: str, row: int) -> tuple[float, float, float]:
        x, y, radius = (float(discs[f"{name}_{k}"][row]) for k in ("x", "y", "radius"))
        return x, y, radius

    ratios = np.array([ratio_of(*limbs(r), (start("sun", r), start("moon", r))) for r in rows])

    def expected(t: Floats) -> Floats:
        return track.sun_radius_arcsec(t) / track.moon_radius_arcsec(t)

    found = excess_of(ratios, expected(np.zeros(rows.size)))
    if found is None:
        return track, None
    solution, _, _ = solve(track.with_sun(1.0 + found[0]))
    if solution is not None and solution.runs:
        times = np.clip(middle_s(solution, readings, rows), track.first_s, track.last_s)
        found = excess_of(ratios, expected(times)) or found
    return track.with_sun(1.0 + found[0]), found


def excess_told(excess: Excess | None) -> dict[str, Any]:
    """Return what pointing.json says of it; nothing of bodies that see white light."""
    if excess is None:
        return {}
    value, sigma = excess
    return {"sun_radius_excess": round(value, 6), "sun_radius_excess_sigma": round(sigma, 6)}
