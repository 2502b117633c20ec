"""How far pairs registered on the corona are off where what drifts over it was registered, too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.orientation import Orientation
from limbward.limb.adjust import Limbs, Pairs, offset_px, pair_miss, usable_limbs, usable_pairs
from limbward.limb.alike import alike_errors

Floats = NDArray[np.float64]

LEAST_PAIRS = 6  # that must be there to be doubted
LIMB_ARCSEC = 1.0  # that a limb which is seen may be off at most: relief, seeing
LEAST_LIMB_PX, MOST_LIMB_PX = 0.1, 0.25  # of it, whatever the scale
# Errors tried, pixels: at once, and over the time that is usual between two frames compared.
TRIED_PX = np.append(0.0, np.geomspace(0.02, 10.0, 19))
DEGREES = 3.0  # of freedom of the errors' distribution: some pairs are far off


def doubted(pairs: Pairs, limbs: Limbs, orientation: Orientation, time_s: Floats) -> Pairs:
    """Return the pairs with the errors that they must have to agree with limbs.

    What drifts over the corona (cloud, the edge of the shadow) is registered as well as the corona
    is, by pixels wrong and with a small error; the more so, the further apart in time two frames
    are. Limbs that are seen are never half a pixel off; where most pairs are further from them than
    both errors allow, the rest is an error of the pairs.

    Parameters
    ----------
    pairs : Pairs
    limbs : Limbs
        Of N frames.
    orientation : Orientation
    time_s : ndarray, shape (N,)
        When the frames were taken.

    Notes
    -----
    The likeliest of errors ``hypot(steady, rate * time apart)`` under a t-distribution in the
    plane, which pairs that are far off hardly move (K. L. Lange et al., J. Am. Stat. Assoc. 84
    (1989) 881). Behind drifting cloud pairs are off by 0.1 px after a second and by 0.7 px after
    ten (hard simulated sessions of 0.4 megapixels).
    """
    limbs, measured = usable_limbs(limbs)
    usable, seen = usable_pairs(pairs)
    both = seen & measured[usable.first] & measured[usable.second]
    if both.sum() < LEAST_PAIRS:
        return pairs
    ox, oy = offset_px(limbs, orientation, orientation.up_position_angle, 0.0)
    miss = pair_miss(usable, limbs.x - ox, limbs.y - oy)[both]
    # What limbs of like exposure share is not in their difference.
    alike = alike_errors(limbs.sigma, limbs.level, measured)
    seen_px = np.clip(LIMB_ARCSEC / orientation.pixel_scale_arcsec, LEAST_LIMB_PX, MOST_LIMB_PX)
    own, common = np.maximum(alike.own, seen_px), alike.of_frames(alike.prior)
    i, j = usable.first, usable.second
    differ = alike.of[i] != alike.of[j]
    known = usable.sigma**2 + own[i] ** 2 + own[j] ** 2
    known += differ * (common[i] ** 2 + common[j] ** 2)
    apart = np.nan_to_num(np.abs(time_s[i] - time_s[j]))
    typical = float(np.median(apart[both])) or 1.0
    steady, drifted = (tried.reshape(-1, 1) for tried in np.meshgrid(TRIED_PX**2, TRIED_PX**2))
    growing = (apart / typical) ** 2
    each = known[both] + steady + drifted * growing[both]
    tail = 0.5 * (DEGREES + 2.0) * np.log1p(miss**2 / (DEGREES * each))
    best = int(np.argmax(-np.sum(np.log(each) + tail, axis=1)))
    added = steady[best] + drifted[best] * growing
    return replace(pairs, sigma=np.sqrt(pairs.sigma**2 + added))
