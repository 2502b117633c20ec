"""Phases of a body in a spectral line, in whose light the Sun is larger than in white light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from limbward.phase.session import Phases
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

# The chromosphere is the limb in hydrogen-alpha, 3 to 6 thousandths of the radius above that of
# white light (`limbward.limb.excess`): what is taken where the pictures do not tell.
EXCESS, EXCESS_SIGMA = 0.0045, 0.0015
VALLEYS_ARCSEC = 0.75  # of the Moon's limb, through which the Sun is seen a little longer
ARCSEC_PER_S = 0.5  # by which the Moon moves
SURE = 2.0  # standard errors by which the disc must be behind the Moon

REASON = (
    "in its spectral line the Sun is larger than in white light, and at this time some of its edge "
    "may stand out beyond the Moon: a contact, not totality"
)


def with_larger_sun(
    phases: Phases,
    rows: NDArray[np.int64],
    track: SkyTrack,
    excess: tuple[float, float] | None,
    middle_s: Floats,
    sigma_s: Floats,
) -> Phases:
    """Return phases in which no frame with the line's disc in sight is one of totality.

    Totality begins by the photosphere. In the line a crescent stays for some ten seconds more, as
    long as the Moon takes to cover the chromosphere.

    Parameters
    ----------
    phases : Phases
        Of N frames.
    rows : ndarray of int, shape (M,)
        The body's frames, without those whose phase a person states.
    track : SkyTrack
        With the Sun of white light.
    excess : tuple of float, optional
        By what part of its radius the line shows the Sun larger, and its standard error; None
        where the pictures do not tell.
    middle_s, sigma_s : ndarray, shape (N,)
        Middle of the exposures, seconds from the track's epoch, and its standard error; NaN where
        not known.
    """
    part, doubt = excess or (EXCESS, EXCESS_SIGMA)
    rows = rows[(phases.phase[rows] == "totality") & np.isfinite(middle_s[rows])]
    t = np.clip(middle_s[rows], track.first_s, track.last_s)
    radius = track.sun_radius_arcsec(t)
    apart = np.hypot(*track.offset_arcsec(t).T)
    beyond = (1.0 + part) * radius + apart - track.moon_radius_arcsec(t)
    moved = ARCSEC_PER_S * np.nan_to_num(sigma_s[rows])
    sigma = np.sqrt((doubt * radius) ** 2 + moved**2 + VALLEYS_ARCSEC**2)
    mine = rows[beyond > -SURE * sigma]
    phase, reason = phases.phase.copy(), phases.reason.copy()
    phase[mine], reason[mine] = "contact", REASON
    dimmed = phases.behind_filter.copy()
    dimmed[mine] = False
    return replace(phases, phase=phase, reason=reason, behind_filter=dimmed)
