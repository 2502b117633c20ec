"""How bright the frames of a film usually are, learnt from some of them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.sequences.cut import Cut, View
from limbward.sequences.deflicker import RINGS, common_profile, disc_profile, level
from limbward.sequences.layout import evenly
from limbward.sequences.shots import Shots
from limbward.sequences.steady import corona_light

Floats = NDArray[np.float64]

LEARNT_FROM = 16  # frames from which the disc's darkening and the corona's usual light are taken


@dataclass(frozen=True)
class Usual:
    """How bright the frames of a film usually are, for the exposure of each.

    Attributes
    ----------
    profile : ndarray, shape (RINGS,)
        The disc's own fall of brightness, from `common_profile`.
    disc, corona : float
        The disc's middle behind the filter, and the corona in `CORONA_RING`; NaN where not known.
    """

    profile: Floats
    disc: float
    corona: float


def some_to_learn_from(shots: Shots) -> NDArray[np.int64]:
    """Return frames spread evenly over those of the disc and of totality, for `learn`."""
    disc = np.flatnonzero((shots.phase == "partial") & np.isfinite(shots.sun[:, 0]))
    corona = np.flatnonzero(shots.phase == "totality")
    parts = [rows[evenly(shots.middle_s[rows], LEARNT_FROM)] for rows in (disc, corona)]
    return np.concatenate(parts)


def views_to_learn_in(shots: Shots, views: Sequence[View]) -> list[View]:
    """Return the views without pixels smaller than the camera's, which tell nothing more."""
    own = shots.scale_arcsec()
    return [
        replace(v, side=math.ceil(v.side * v.scale_arcsec / own), scale_arcsec=own)
        if v.scale_arcsec < own
        else v
        for v in views
    ]


def learn(shots: Shots, views: Sequence[View], made: Iterable[tuple[int, Cut | str]]) -> Usual:
    """Return what is usual in some frames of a film.

    Parameters
    ----------
    shots : Shots
        Of `some_to_learn_from`.
    views : sequence of View
        One a frame.
    made : iterable of tuple
        Number of the frame, and its disc cut out or the sentence that says why there is none.
    """
    profiles, rings = [], []
    for i, c in made:
        if isinstance(c, str):
            continue
        if shots.phase[i] == "partial":
            profile = disc_profile(c.picture, c.clipped, *shots.discs_in(i, views[i]))
            profiles.append(profile / shots.light[i])
        else:
            rings.append(corona_light(c, shots, i, views[i]))
    common = common_profile(np.array(profiles)) if profiles else np.full(RINGS, np.nan)
    levels = np.array([level(p, common) for p in profiles])
    usual = float(np.nanmedian(levels)) if np.isfinite(levels).any() else math.nan
    known = np.array([r for r in rings if math.isfinite(r)])
    return Usual(common, usual, float(np.median(known)) if known.size else math.nan)
