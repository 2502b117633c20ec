"""How far from level the head of a tripod or alt-azimuth mount stood, by how its field turned."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Crescents
from limbward.clock.path_fit import (
    PathFit,
    fit_path,
    mirrored_cost,
    scale_by_sizes,
    with_relief,
)
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

# By how much the paths of a level head, here or elsewhere, must fit worse, chi-square, and what
# part of theirs may be left: the mountains of the Moon's limb leave some of it with any head (0.4
# to 0.8 where the head is level).
LEAN_CHI2, LEAN_SHARE = 16.0, 0.25
LEAST_CRESCENTS = 6  # two unknowns more than the path of a level head has
LEVEL = (0.0, 0.0)


def lean_of(
    track: SkyTrack,
    crescents: Crescents,
    doubt: Doubt | None,
    rotates: bool | None,
    relief_arcsec: float = 0.0,
) -> tuple[float, float]:
    """Return how far north and east the head's vertical axis leans, degrees; 0, 0 unless it shows.

    Parameters
    ----------
    track : SkyTrack
    crescents : Crescents
    doubt : Doubt or None
        Of the site: one that is wrong turns the Moon's path too, and is preferred if it explains
        the crescents as well.
    rotates : bool or None
        Whether the field turns with the zenith; None if that is not known.
    relief_arcsec : float
        As of `limbward.clock.crescent_fit.fit_crescents`.

    Notes
    -----
    A head that is 2 degrees off turns the field by 2 to 5 degrees beside what the zenith does while
    the Sun crosses the south at 65 degrees of altitude, not evenly.
    """
    valid = crescents.valid()
    if rotates is False or valid.sum() < LEAST_CRESCENTS:
        return LEVEL
    c = crescents.of(valid)
    scale0 = scale_by_sizes(track, c)
    c = with_relief(c, scale0, relief_arcsec)
    level = _cost(fit_path(track, c, None, scale0, rotates))
    if level < LEAN_CHI2:
        return LEVEL
    leaning = fit_path(track, c, None, scale0, True, leans=True)
    best = min(level, _cost(fit_path(track, c, doubt, scale0, rotates)))
    if not leaning or _cost(leaning) > min(best - LEAN_CHI2, LEAN_SHARE * best):
        return LEVEL
    return leaning[0].lean_deg


def _cost(paths: list[PathFit]) -> float:
    return paths[0].cost + mirrored_cost(paths[0].mirrored) if paths else np.inf
