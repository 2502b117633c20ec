"""The Sun of a body that sees a spectral line: how much larger than in white light."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.clock.body_evidence import middle_s
from limbward.clock.readings import Readings
from limbward.clock.solution import ClockSolution
from limbward.limb.excess import excess_of, ratio_of
from limbward.limb.partial import Limbs
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Excess = tuple[float, float]


def larger_sun(
    discs: Mapping[str, Floats],
    limbs: Limbs,
    readings: Readings,
    rows: NDArray[np.int64],
    track: SkyTrack,
    solve: Callable[[SkyTrack], tuple[ClockSolution | None, Any, Any]],
) -> tuple[SkyTrack, Excess | None]:
    """Return the sky with the Sun as large as a body sees it, and its excess with its error.

    Parameters
    ----------
    discs : mapping of str to ndarray, shape (N,)
        Sun and Moon as measured in all frames, pixels.
    limbs : callable
        Takes a row, returns the edge points of the Sun's limb and of the Moon's.
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
    known = np.isfinite(discs["sun_x"] + discs["moon_x"]) & (readings.phase == "partial")
    rows = rows[known[rows]]

    def start(name: str, row: int) -> tuple[float, float, float]:
        x, y, radius = (float(discs[f"{name}_{k}"][row]) for k in ("x", "y", "radius"))
        return x, y, radius

    ratios = np.array([ratio_of(*limbs(r), (start("sun", r), start("moon", r))) for r in rows])

    def expected(t: Floats) -> Floats:
        return track.sun_radius_arcsec(t) / track.moon_radius_arcsec(t)

    radius = float(np.median(discs["sun_radius"][rows])) if rows.size else np.nan
    found = excess_of(ratios, expected(np.zeros(rows.size)), radius)
    if found is None:
        return track, None
    solution, _, _ = solve(track.with_sun(1.0 + found[0]))
    if solution is not None and solution.runs:
        times = np.clip(middle_s(solution, readings, rows), track.first_s, track.last_s)
        found = excess_of(ratios, expected(times), radius) or found
    return track.with_sun(1.0 + found[0]), found
