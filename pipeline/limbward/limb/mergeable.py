"""Which of the placed frames can be merged, and why the others cannot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.limb.place import Placing
from limbward.limb.words import CORRECT, OVERRULE, Words

Floats = NDArray[np.float64]

# Within this of C2 and C3 the chromosphere and the last beads outshine the inner corona.
CONTACT_MARGIN_S = 1.0
TAG_S = 0.5  # that two readings in whole seconds are nearer or further apart than they seem
NOT_MERGED = {
    "partial": "a partial phase",
    "contact": "the photosphere is visible",
    "dark": "a dark frame",
    "flat": "a flat field",
    "bias": "a bias frame",
}
VAGUE_S = 5.0  # with a clock known worse than this the picture tells whether it is totality
LEAST_TIED = 3  # frames that must show the same corona where the site should see no totality


def mergeable(
    placing: Placing,
    totality_s: tuple[float, float] | None,
    max_sigma_px: float,
    words: Words | None = None,
) -> NDArray[np.bool_]:
    """Return which frames can be merged, and note for the others why they cannot.

    Parameters
    ----------
    placing : Placing
        With all cameras' frames placed.
    totality_s : tuple of float or None
        When the photosphere vanishes and returns, seconds from the epoch.
    max_sigma_px : float
        Largest standard error of a Sun centre against those of the other frames.
    words : Words, optional

    Notes
    -----
    Whether frames fit each other is decided by the frames. The clock is asked for totality
    where it is known and does not contradict what the pictures show.
    """
    seen = placing.seen
    phase = seen.phase
    placed = np.isfinite(placing.sun_sigma) & np.isfinite(placing.relative)
    timed = np.nan_to_num(seen.time_sigma_s, nan=np.inf) < VAGUE_S
    usable = placed & (phase == "totality") & ~seen.behind_filter
    for i in np.flatnonzero(placed & seen.behind_filter):
        placing.say(int(i), "so faint that the solar filter must have been on" + OVERRULE)
    inside = inside_totality(totality_s, seen.middle_s, seen.time_sigma_s)
    shown = seen.content == "totality"
    if totality_s is None:
        inside = shown & placing.tied & (placing.tied.sum() >= LEAST_TIED)
    else:
        inside |= shown & (~timed | ~np.isfinite(seen.middle_s))
        # Near a contact a picture whose limb is well exposed shows that no bead is left.
        clear = shown & ~seen.clipped & ~seen.drowned
        inside |= clear & inside_totality(totality_s, seen.middle_s, seen.time_sigma_s, margin=-1.0)
    inside &= ~_beside_beads(placing)
    if words is not None:
        inside |= words.totality
    usable &= inside
    for i in np.flatnonzero((phase == "totality") & ~usable & (placing.note == "")):
        placing.note[i] = "too near second or third contact, or at an unknown time" + OVERRULE
    vague = usable & (placing.relative > max_sigma_px)
    for i in np.flatnonzero(vague):
        placing.say(
            int(i),
            f"its position relative to the others is known only to {placing.relative[i]:.2f} px "
            "(align.max_sigma_px, or use: keep under frames in the config)",
        )
    for name, why in NOT_MERGED.items():
        if name == "partial" and totality_s is None:
            continue  # nothing else was to be seen, and the sharpest may be stacked
        for i in np.flatnonzero((phase == name) & (placing.note == "")):
            placing.note[i] = why + (OVERRULE if name == "contact" else CORRECT)
    return _obey(placing, words, usable & ~vague)


def _beside_beads(placing: Placing) -> NDArray[np.bool_]:
    """Return which frames of a small Sun were taken beside one that shows the photosphere.

    What a bead adds is not seen in a corona of a few pixels, and the clock is known to tens of
    seconds at best.
    """
    seen = placing.seen
    if seen.small is None or not seen.small.any():
        return np.zeros(seen.phase.size, bool)
    time_s = np.where(np.isfinite(seen.middle_s), seen.middle_s, seen.reading_s)
    shows = (seen.phase == "contact") | (seen.content == "contact")
    beads = time_s[shows & np.isfinite(time_s)]
    apart = np.abs(time_s[:, None] - beads[None, :]).min(axis=1, initial=np.inf)
    return np.asarray(seen.small & (apart <= CONTACT_MARGIN_S + TAG_S))


def _obey(placing: Placing, words: Words | None, usable: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which frames are merged after a person has spoken, and note what was said."""
    if words is None:
        return usable
    known = np.isfinite(placing.relative) & np.isfinite(placing.place["sun_x"])
    for i in np.flatnonzero(words.keep & ~usable):
        told = f"{words.key[i]} in the config says keep"
        if known[i]:
            placing.note[i] = placing.note[i].replace(OVERRULE, "")
            placing.say(int(i), f"merged because {told}")
            placing.sun_sigma[i] = np.fmax(placing.sun_sigma[i], placing.relative[i])
        else:
            placing.say(
                int(i), f"{told}, but its position relative to the others could not be found"
            )
    for i in np.flatnonzero(words.drop):
        placing.note[i] = f"left out because {words.key[i]} in the config says drop"
    return (usable | (words.keep & known)) & ~words.drop


def inside_totality(
    totality_s: tuple[float, float] | None,
    middle_s: Floats,
    time_sigma_s: Floats,
    *,
    margin: float = 1.0,
) -> NDArray[np.bool_]:
    """Return which frames were surely taken while the photosphere was covered.

    Parameters
    ----------
    totality_s, middle_s, time_sigma_s
        As of `limbward.limb.place.Seen` and `mergeable`.
    margin : float
        How much of contacts' and times' errors is held back; -1 for what may just have been so.
    """
    if totality_s is None:
        return np.zeros(middle_s.size, bool)
    second, third = totality_s
    unsure = CONTACT_MARGIN_S + np.nan_to_num(np.minimum(time_sigma_s, 20.0), nan=20.0)
    held = margin * unsure
    return np.asarray((middle_s > second + held) & (middle_s < third - held))
