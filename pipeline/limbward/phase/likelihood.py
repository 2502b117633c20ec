"""How well what a frame shows fits each phase, term by term, as logarithms of probability."""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr  # scipy.stats takes a third of a second to import

from limbward.phase.evidence import PHASES, Evidence, Floats, Mask, Usual, contrast_of

PARTIAL, CONTACT, TOTALITY, DARK, FLAT, OTHER = range(len(PHASES))
LOOKS = ("partial", "contact", "totality", "black", "flat", "other")
# Probability that a frame of the phase (row) looks like (column). Thin crescents have a concave
# limb as a Moon before a corona has; beads are small; an overexposed corona has no limb.
LOOK = np.array(
    [
        [0.80, 0.02, 0.08, 0.005, 0.002, 0.08],
        [0.03, 0.60, 0.25, 0.001, 0.01, 0.10],
        [0.002, 0.04, 0.88, 0.03, 2e-4, 0.05],
        [1e-4, 1e-4, 1e-4, 0.98, 1e-4, 0.01],
        [1e-4, 1e-3, 1e-3, 1e-3, 0.90, 0.09],
        [0.03, 0.03, 0.02, 0.03, 0.10, 0.79],
    ]
)
WORST = -12.0  # no single term weighs more: every model is wrong at times
NAMED = 4.6  # a hundredfold, for a folder called "darks"
NEAR_S = 120.0  # of a frame that shows corona or beads, in which nobody caps the lens for darks
THIN = 0.02  # of the disc's brightness, to which a crescent sinks that is finer than the blur
LOST = 0.004  # of the range, below which little is found
CLOUDED = 0.2  # probability that a frame between two of its kind is black for a cloud
OVEREXPOSED = 0.7  # of the range, that the corona at the limb would reach
MIDDAY = 10.0  # times the sky in totality, beyond which it is none
CLIPPED_SHARE = 0.97  # of the ceiling, since what is scattered onto the disc is taken off a peak
BLEACHED = 30.0  # times the range, that the filtered Sun would reach
SUN_ALONE = 0.01  # of the peak, that most of a frame behind a filter is below
DAYLIT = 0.1  # of the filtered Sun, that no sky reaches behind a filter


def terms(e: Evidence, usual: Usual) -> dict[str, Floats]:
    """Return the terms of N frames' evidence for each phase.

    Parameters
    ----------
    e : Evidence
    usual : Usual

    Returns
    -------
    dict of str to ndarray, shape (N, 6)
        Natural logarithms, up to a constant a frame, by the name of the evidence.
    """
    return {
        "picture": _by_look(e, usual),
        "limb": _by_limb(e, usual),
        "filter": _by_filter(e, usual),
        "sky": _by_sky(e, usual),
        "name": _by_name(e),
    }


def _by_look(e: Evidence, usual: Usual) -> Floats:
    look = np.array([LOOKS.index(text) if text in LOOKS else 5 for text in e.looks], int)
    look[e.black] = LOOKS.index("black")
    found = np.log(LOOK.T[look])
    gathered = e.gathered
    # An exposure that drowns the Moon in clipped corona shows no limb.
    expected = usual.corona * gathered
    drowned = (expected > OVEREXPOSED) | (e.middle > OVEREXPOSED * usual.ceiling)
    found[drowned & (look == 5), TOTALITY] = np.log(0.5)
    # It may look like the Sun behind a filter: a white disc on black.
    found[drowned & (look == 0), TOTALITY] = np.log(0.1)
    # Nor does one that is clipped all over, below the white level that its file declares.
    found[(look == 4) & (e.middle > usual.ceiling), TOTALITY] = np.log(0.3)
    # And the shortest exposure of a filtered sliver of Sun is black, or nearly so.
    near = near_totality(e)
    faint = ~(THIN * usual.filtered * gathered > LOST)
    faint &= np.isfinite(usual.filtered) | (e.exposure_s < 2e-3)
    black = look == LOOKS.index("black")
    found[black & between_partial(e), PARTIAL] = np.log(CLOUDED)
    found[black & near & faint, PARTIAL] = np.log(0.5)
    found[black & near, DARK] += np.log(0.1)
    found[(look == 5) & near & faint, PARTIAL] = np.log(0.3)
    return found


def _by_limb(e: Evidence, usual: Usual) -> Floats:
    """Return what the light around the Moon's limb says: corona all around, or one bright place."""
    found = np.zeros((e.looks.size, len(PHASES)))
    contrast = contrast_of(e)
    seen = np.isfinite(contrast)
    beyond = np.where(seen, contrast - usual.contrast, 0.0)
    far = beyond / usual.contrast_spread
    # A clipped peak is a lower bound of the contrast.
    clipped = e.limb_peak > CLIPPED_SHARE * usual.ceiling
    normal = -0.5 * np.maximum(far, -1.0) ** 2 - 0.5 * np.log(2 * np.pi)
    density = normal - np.log(usual.contrast_spread)
    bound = log_ndtr(-far)
    found[:, TOTALITY] = np.where(clipped, bound, density)
    # The photosphere is anywhere from a little to 1e4 times as bright; beside it, all is possible.
    bright = np.where(clipped, np.log(0.9), np.log(0.1))
    found[:, CONTACT] = np.where(beyond > 0, bright, bright + 2.0 * beyond)
    # Behind a filter nothing shines around the Moon but what is scattered.
    found[:, PARTIAL] = np.where(contrast > np.log(50.0), np.log(0.3), np.log(1e-3))
    found[:, OTHER] = np.where(clipped, np.log(0.5), np.log(0.05))
    found[:, (DARK, FLAT)] = np.log(0.05)
    found[~seen] = 0.0
    return np.maximum(found, WORST)


def _by_filter(e: Evidence, usual: Usual) -> Floats:
    """Return what the brightest place says of a filter: nothing behind one exceeds the disc."""
    found = np.zeros((e.looks.size, len(PHASES)))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        beyond = np.log(e.peak / e.gathered / usual.filtered_at_most)
    known = np.isfinite(beyond)
    over = np.where(known, np.maximum(beyond, 0.0), 0.0)
    found[:, PARTIAL] = np.maximum(-0.5 * (over / 0.3) ** 2, WORST)
    # Without a filter the photosphere is hardly ever as faint as that.
    unclipped = known & (e.peak < usual.ceiling) & np.isfinite(usual.filtered)
    found[unclipped & (beyond < -0.7), CONTACT] = -1.0
    # Nobody exposes the filtered Sun so long.
    found[usual.filtered * e.gathered > BLEACHED, PARTIAL] -= 3.0
    # A bright spot as bright as the filtered Sun, on black: hardly anything else is.
    dark = e.middle < SUN_ALONE * e.peak
    found[unclipped & dark & (beyond > np.log(0.02)) & (beyond < 0.0), OTHER] = np.log(0.05)
    return found


def _by_sky(e: Evidence, usual: Usual) -> Floats:
    """Return what the middle of the levels says: neither a filter nor totality leaves a day's."""
    found = np.zeros((e.looks.size, len(PHASES)))
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        rate = e.middle / e.gathered
        beyond = np.log(rate / usual.dusk / MIDDAY)
    over = np.where(np.isfinite(beyond), np.maximum(beyond, 0.0), 0.0)
    # Clipped all over, a frame says only how bright the sky is at least.
    found[:, TOTALITY] = np.maximum(-0.5 * (over / 0.7) ** 2, WORST)
    daylit = np.isfinite(rate) & (rate > DAYLIT * usual.filtered) & (e.middle > LOST)
    found[daylit, PARTIAL] = -8.0
    return found


def _by_name(e: Evidence) -> Floats:
    found = np.zeros((e.looks.size, len(PHASES)))
    found[np.isin(e.named, ("dark", "bias")), DARK] = NAMED
    found[e.named == "flat", FLAT] = NAMED
    return found


def near_totality(e: Evidence) -> Mask:
    """Return which frames were taken within two minutes of one that shows corona or beads."""
    shown = np.isin(e.looks, ("totality", "contact")) & np.isfinite(e.reading_s)
    at = np.sort(e.reading_s[shown])
    if not at.size:
        return np.zeros(e.looks.size, bool)
    t = np.where(np.isfinite(e.reading_s), e.reading_s, np.inf)
    k = np.clip(np.searchsorted(at, t), 1, at.size) if at.size > 1 else np.ones(t.size, int)
    last = at[np.minimum(k, at.size - 1)]
    return np.asarray(np.minimum(np.abs(t - at[k - 1]), np.abs(t - last)) < NEAR_S)


def between_partial(e: Evidence) -> Mask:
    """Return which black frames stand between partial ones of their own exposure and ISO."""
    found = np.zeros(e.looks.size, bool)
    lit = np.flatnonzero(~e.black)
    for i in np.flatnonzero(e.black):
        k = int(np.searchsorted(lit, i))
        if 0 < k < lit.size:
            pair = lit[[k - 1, k]]
            same = np.abs(np.log(e.gathered[pair] / e.gathered[i])) < 0.1
            found[i] = bool(same.all() and (e.looks[pair] == "partial").all())
    return found
