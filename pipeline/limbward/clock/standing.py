"""A clock that stood still: its readings say nothing, the crescents date themselves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Crescents
from limbward.clock.path_fit import fit_path, scale_by_sizes
from limbward.clock.readings import Readings
from limbward.clock.solution import ClockSolution
from limbward.geometry.orientation import Orientation
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

LEAST_EQUAL, LEAST_SHARE = 5, 0.5  # frames of one reading, of all
LONGER_S = 2.0  # than a reading's step, that they took in all
LEAST_ON_PATH = 0.7
UP_SIGMA_DEG = 0.02  # besides what the crescents' errors make


def equal_readings(readings: Readings, rows: NDArray[np.int64]) -> int:
    """Return how many frames bear one and the same reading, if no running clock shows that.

    Frames taken within one step of the reading share it; they are fewer than half of a session, or
    were over within a step.
    """
    values, counts = np.unique(readings.reading_s[rows], return_counts=True)
    if not values.size:
        return 0
    equal = rows[readings.reading_s[rows] == values[int(np.argmax(counts))]]
    if equal.size < max(LEAST_EQUAL, LEAST_SHARE * rows.size):
        return 0
    took = float(np.sum(readings.exposure_s[equal]))
    partial = np.isin(("partial", "totality"), readings.phase[equal]).all()
    longer = took > LONGER_S + float(np.max(readings.resolution_s[equal]))
    return int(equal.size) if partial or longer else 0


def standing_clock(
    track: SkyTrack,
    crescents: Crescents,
    doubt: Doubt | None,
    rotates: bool | None,
    said: str,
) -> ClockSolution | None:
    """Return the solution of a clock that stood still, None if the crescents lie on no path.

    Parameters
    ----------
    track : SkyTrack
    crescents : Crescents
    doubt : Doubt or None
    rotates : bool or None
    said : str
        The sentence about it.
    """
    valid = crescents.valid()
    if not valid.any():
        return None
    c = crescents.of(valid)
    scale0 = scale_by_sizes(track, c)
    # Along the path a wrong site is a wrong time: it is believed where the frames lie on its path.
    paths = fit_path(track, c, None, scale0, rotates)
    if not paths or paths[0].on_path.mean() < LEAST_ON_PATH:
        paths = fit_path(track, c, doubt, scale0, rotates)
    if not paths:
        return None
    path = paths[0]
    n = valid.size
    used, own = np.zeros(n, bool), np.full(n, np.nan)
    used[valid] = path.on_path
    own[valid] = np.where(path.on_path, path.t_s - 0.5 * c.exposure_s, np.nan)
    lever = np.hypot(c.dx, c.dy)[path.on_path]
    up_sigma = np.degrees(float(np.median(c.sigma_px)) / max(float(np.linalg.norm(lever)), 1.0))
    scale = scale0 * float(np.exp(path.log_scale))
    return ClockSolution(
        float("nan"),
        0.0,
        np.full((2, 2), np.nan),
        ("crescents",),
        (said,),
        orientation=Orientation(scale, path.up_deg % 360.0, path.mirrored),
        scale_sigma_arcsec=scale * 3e-4,
        up_sigma_deg=float(np.hypot(up_sigma, UP_SIGMA_DEG)),
        rotates=path.rotates,
        residual_s=np.zeros(n),
        used=used,
        inside=used,
        own_s=own,
    )
