"""How a camera was turned, from the Moon's motion across the corona."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.limb.adjust import Adjustment, adjust
from limbward.limb.compare import Comparison, pairs_of, turns_of
from limbward.limb.session import Session, limbs_of, scale_by_moon
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]


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
    if scale_arcsec is None:
        scale_arcsec = scale_by_moon(s, track)
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
