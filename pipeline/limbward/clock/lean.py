"""How far from level the head of a tripod or alt-azimuth mount stood, by how its field turned."""

from __future__ import annotations

import numpy as np

from limbward.clock.evidence import Crescents
from limbward.clock.path_fit import PathFit, fit_path, mirrored_cost
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

LEAN_CHI2 = 16.0  # by which the paths of a level head, here or elsewhere, must fit worse
LEAST_CRESCENTS = 6  # two unknowns more than the path of a level head has
LEVEL = (0.0, 0.0)


def lean_of(
    track: SkyTrack, crescents: Crescents, doubt: Doubt | None, rotates: bool | None
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

    Notes
    -----
    A head that is 2 degrees off turns the field by 2 to 5 degrees beside what the zenith does while
    the Sun crosses the south at 65 degrees of altitude, not evenly.
    """
    valid = crescents.valid()
    if rotates is False or valid.sum() < LEAST_CRESCENTS:
        return LEVEL
    c = crescents.of(valid)
    scale0 = float(np.median(track.sun_radius_arcsec(np.zeros(1)) / c.sun_radius_px))
    level = _cost(fit_path(track, c, None, scale0, rotates))
    if level < LEAN_CHI2:
        return LEVEL
    leaning = fit_path(track, c, None, scale0, True, leans=True)
    if (
        not leaning
        or _cost(leaning)
        > min(level, _cost(fit_path(track, c, doubt, scale0, rotates))) - LEAN_CHI2
    ):
        return LEVEL
    return leaning[0].lean_deg


def _cost(paths: list[PathFit]) -> float:
    return paths[0].cost + mirrored_cost(paths[0].mirrored) if paths else np.inf
