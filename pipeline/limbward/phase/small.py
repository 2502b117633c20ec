"""Suns too small for a limb: corona or not, by how bright the spot is for the light gathered."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from limbward.phase.evidence import CLIPPED, REACHED, Evidence, Floats, Mask

# Seeing and where the brightest place falls on the pixels change a peak by so much either way.
SCATTER = 1.8
# Brackets of the corona span hundreds of times; nobody brackets the filtered Sun over more than 8.
LEAST_SPAN, LEAST_FRAMES = 10.0, 4
BEADS = 3.0 * SCATTER  # times the corona's: the photosphere shows
ALIKE = 2.5  # times brighter or fainter than the corona, which a frame of it may be


def with_small_suns(e: Evidence) -> Evidence:
    """Return the evidence with frames of a small Sun looking like what their brightness says.

    Parameters
    ----------
    e : Evidence
        Of one camera.

    Notes
    -----
    In totality the brightest place gives the same light per exposure in the longest and shortest
    exposures of a bracket. No other frames do so over more than three stops: the filtered Sun is
    taken at one exposure or a few, and without a filter is clipped in all.
    """
    if e.small is None or not e.small.any():
        return e
    highest = float(np.nanmax(e.peak, initial=0.0))
    ceiling = CLIPPED * (highest if highest > REACHED else 1.0)
    known = e.small & np.isfinite(e.gathered) & (e.peak > 0.0)
    clipped = e.peak >= ceiling
    rate = np.where(known, e.peak, 1.0) / np.where(known, e.gathered, 1.0)
    corona = _corona(rate, e.gathered, known & ~clipped)
    if not np.isfinite(corona):
        return e
    looks = e.looks.copy()
    like = (rate < ALIKE * corona) & (clipped | (rate > corona / ALIKE))
    looks[known & like] = "totality"
    # A clipped peak is a lower bound: the corona would not have reached it.
    looks[known & (rate > BEADS * corona) & (clipped | ~_filtered(e, known, rate))] = "contact"
    return replace(e, looks=looks)


def _corona(rate: Floats, gathered: Floats, told: Mask) -> float:
    """Return the rate that the widest range of exposures has in common; NaN if none has one."""
    best, found = 0.0, np.nan
    for centre in np.unique(rate[told]):
        near = told & (np.abs(np.log(rate / centre)) < np.log(SCATTER))
        if near.sum() < LEAST_FRAMES:
            continue
        low, high = np.quantile(np.log(gathered[near]), (0.1, 0.9))
        weight = float((high - low) * np.sqrt(near.sum()))
        if high - low > np.log(LEAST_SPAN) and weight > best:
            best, found = weight, float(np.median(rate[near]))
    return found


def _filtered(e: Evidence, known: Mask, rate: Floats) -> Mask:
    """Return which frames are no brighter than the Sun that was measured behind a filter."""
    partial = (e.looks == "partial") & np.isfinite(e.gathered) & (e.peak > 0.0)
    if not partial.any():
        return known
    return known & (rate < SCATTER * np.median(e.peak[partial] / e.gathered[partial]))
