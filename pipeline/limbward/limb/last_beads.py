"""Frames near second and third contact in which a bead of the photosphere still shines."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.disc import RIM_BINS

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Rims = Callable[[int], NDArray[np.float32] | None]

NEAR_S = 6.0  # of a smooth Moon's contacts; valleys let light through for up to 5 s more
AROUND_DEG, BEAD_DEG = 30.0, 1.0  # of limb: what is usual about there, and the least of a bead
# Of the sensor's range: where what is usual about there can be compared.
FAINTEST, BRIGHTEST = 0.005, 0.6
# Brightness over what is usual about there, against that of the frames nearest in time that are
# farther inside totality: corona reaches 1.3, a prominence that the Moon covers or uncovers within
# half a minute 1.5, trailed frames 1.4, the last clipped spark of photosphere 1.9 (simulated cards,
# seeing of 2 to 4 arcsec). What is not clipped is more likely a prominence.
CLIPPED_BEAD, BEAD = 1.7, 2.5
CLIPPED = 0.9  # of the range
# Without such frames: prominences reach 3.2, beads 4 to 10.
BEAD_ALONE = 5.0
OTHERS, LEAST_OTHERS, OTHERS_S = 4, 2, 45.0


def frames_with_beads(
    rims: Rims,
    bodies: Iterable[NDArray[np.int64]],
    middle_s: Floats,
    totality_s: tuple[float, float],
) -> Mask:
    """Return which frames within seconds of a contact show a bead.

    Parameters
    ----------
    rims : callable
        Takes a row, returns the light around the Moon's limb there (`limbward.limb.rim`) or None.
    bodies : iterable of ndarray
        Rows of each camera's frames of totality.
    middle_s : ndarray, shape (N,)
        Middle of each exposure, seconds from the epoch; NaN where not known.
    totality_s : tuple of float
        A smooth Moon's second and third contact.

    Returns
    -------
    ndarray of bool, shape (N,)
        False where a frame is too bright around the limb to tell.
    """
    found = np.zeros(middle_s.size, bool)
    second, third = totality_s
    for rows in bodies:
        near = [int(i) for i in rows if _is_near(middle_s[i], second, third)]
        if not near:
            continue
        inside = rows[(middle_s[rows] > second + NEAR_S) & (middle_s[rows] < third - NEAR_S)]
        told = {int(k): c for k in inside if (c := _contrast(rims, k)) is not None}
        for i in near:
            contrast, rim = _contrast(rims, i), rims(i)
            if contrast is None or rim is None:
                continue
            away = {k: abs(middle_s[k] - middle_s[i]) for k in told}
            nearest = sorted((k for k in told if away[k] < OTHERS_S), key=away.__getitem__)[:OTHERS]
            beyond, least = contrast, np.full(RIM_BINS, BEAD_ALONE)
            if len(nearest) >= LEAST_OTHERS:
                beyond = contrast / _most([told[k] for k in nearest])
                least = np.where(rim > CLIPPED, CLIPPED_BEAD, BEAD)
            found[i] = bool((beyond > least).any())
    return found


def contacts_seen(
    totality_s: tuple[float, float], middle_s: Floats, beads: Mask
) -> tuple[float, float]:
    """Return second and third contact, put off and brought forward by the beads that were seen."""
    second, third = totality_s
    at = middle_s[beads]
    early, late = at[at < 0.5 * (second + third)], at[at >= 0.5 * (second + third)]
    return max(second, float(early.max(initial=second))), min(third, float(late.min(initial=third)))


def _is_near(t: float, second: float, third: float) -> bool:
    return bool(min(abs(t - second), abs(t - third)) < NEAR_S)


def _most(contrasts: list[Floats]) -> Floats:
    """Return the highest of some frames by direction, at least 1."""
    return np.maximum(np.nan_to_num(np.array(contrasts), nan=1.0).max(axis=0), 1.0)


def _contrast(rims: Rims, row: int) -> Floats | None:
    """Return light around the limb over what is usual about there; NaN where that is not told."""
    rim = rims(int(row))
    if rim is None:
        return None
    light = np.nan_to_num(rim).astype(np.float64)
    bins = [int(RIM_BINS * degrees / 360.0) | 1 for degrees in (BEAD_DEG, AROUND_DEG)]
    bead, around = (ndimage.median_filter(light, size, mode="wrap") for size in bins)
    told = (around > FAINTEST) & (around < BRIGHTEST) & np.isfinite(rim)
    return np.where(told, bead / np.where(told, around, 1.0), np.nan) if told.any() else None
