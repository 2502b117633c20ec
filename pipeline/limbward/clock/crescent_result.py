"""What crescents say of a camera's clock, its settings and its place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Step:
    """A clock set during the session, between two crescents in order of taking.

    ``seconds`` is what the clock read more afterwards; ``after`` and ``before`` are the orders of
    the last crescent before it and of the first one after it; ``covariance`` (2, 2) is that of the
    clock's offset after it, and of the drift.
    """

    seconds: float
    sigma_s: float
    after: float
    before: float
    covariance: Floats


@dataclass(frozen=True)
class Place:
    """How far north and east of the stated site crescents put the camera, km.

    ``worse`` is how much worse the stated site fits (chi-square), ``covariance`` (2, 2) that of
    the two numbers.
    """

    north_km: float
    east_km: float
    covariance: Floats
    worse: float


@dataclass(frozen=True)
class CrescentFit:
    """What the crescents say; arrays are one a frame.

    ``residual_s`` is how late the clock read, also in frames that were not ``used``; NaN in frames
    that are not ``inside``, hours from the eclipse by this clock or without a usable measurement.
    ``own_s`` is the begin of each exposure by its own crescent, seconds from the epoch, where the
    crescent lies on the Moon's path, NaN elsewhere, and ``own_sigma_s`` how well that is known.
    ``direct_used`` (M,) are the instants known directly that agree well enough to have joined.
    ``covariance`` is that of offset and drift, ``place`` None where the site was not doubted.
    ``alone_s`` is the offset by crescents alone, ``pulled`` (2,) the variance of offset and drift
    by which instants known directly pull them further from it than both may be off, and by which
    a setting of the clock that is nearly supported would change them.
    """

    cost: float
    offset_s: float
    offset_sigma_s: float
    drift_s_per_hour: float
    drift_sigma_s_per_hour: float
    covariance: Floats
    orientation: Orientation
    scale_sigma_arcsec: float
    up_sigma_deg: float
    rotates: bool
    steps: tuple[Step, ...]
    residual_s: Floats
    used: Mask
    inside: Mask
    own_s: Floats
    own_sigma_s: Floats
    direct_used: Mask
    place: Place | None
    alone_s: float
    pulled: Floats
