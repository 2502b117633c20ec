"""Less noise in a film's totality: each frame averaged with its neighbours, registered on the Sun.

The corona does not change in a minute, so frames of it that are registered on the Sun are frames
of the same light. What does change stays each frame's own: the Moon with all that it covers or
sets free, what is saturated, and light that came or went (glare of the first and last bead, cloud).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from limbward.sequences.cut import Cut, View
from limbward.sequences.shots import Shots

Pixels = NDArray[np.float32]

CORONA_RING = (1.3, 1.9)  # solar radii: the Moon never reaches there
MARGIN_PX = 2.0  # beyond the Moon's limb: its blur
FADE_PX = 6.0  # over which a neighbour comes in beyond that
SMOOTH_PX = 4.0  # for the comparison of light: noise is averaged out, glare and cloud are not
ALIKE = 0.1  # relative difference of light at which a neighbour counts half


def steadied(
    made: Iterable[tuple[int, Cut | str]], shots: Shots, views: Sequence[View], count: int
) -> Iterator[tuple[int, Cut | str]]:
    """Yield cuts in their order, those of totality averaged.

    Parameters
    ----------
    made : iterable of tuple
        Number of the frame, rising, and its disc cut out or the sentence that says why not.
    shots : Shots
    views : sequence of View
        One a frame, all of one size.
    count : int
        Frames in an average at most, itself included; 1 averages none. So many cuts are held.

    Notes
    -----
    White noise falls by the root of the number of frames, three at an end of totality.
    """
    before = max(count - 1, 0) // 2
    held: list[tuple[int, Cut | str]] = []
    at = 0  # of ``held``: the next to be given
    for one in made:
        held.append(one)
        while len(held) - at > before:
            yield _averaged(held, at, before, shots, views)
            at += 1
            if at > before:
                del held[0]
                at -= 1
    for k in range(at, len(held)):
        yield _averaged(held, k, before, shots, views)


def _averaged(
    held: list[tuple[int, Cut | str]], at: int, reach: int, shots: Shots, views: Sequence[View]
) -> tuple[int, Cut | str]:
    i, own = held[at]
    if isinstance(own, str) or shots.phase[i] != "totality" or not reach:
        return i, own
    level = corona_light(own, shots, i, views[i])
    mine = outside_moon(shots, i, views[i])
    if mine is None or not level > 0:
        return i, own
    smooth = gaussian_filter(own.picture[1], SMOOTH_PX)
    total, weight = own.picture.copy(), np.ones(mine.shape, np.float32)
    for j, other in held[max(at - reach, 0) : at + reach + 1]:
        if j == i or isinstance(other, str) or shots.phase[j] != "totality":
            continue
        its = corona_light(other, shots, j, views[j])
        if not its > 0:
            continue
        gain = np.float32(level * shots.light[i] / (its * shots.light[j]))
        # What its Moon hides is unlike as well.
        off = gain * gaussian_filter(other.picture[1], SMOOTH_PX) - smooth
        alike = 1.0 / (1.0 + (off / (ALIKE * np.maximum(smooth, np.float32(1e-9)))) ** 4)
        share = mine * alike
        share[own.clipped | other.clipped] = 0.0
        total += (share * gain) * other.picture
        weight += share
    return i, Cut(total / weight, own.clipped, own.white)


def outside_moon(shots: Shots, i: int, view: View) -> Pixels | None:
    """Return how much lies beyond a frame's Moon, 0 to 1, shape (S, S); None if it is not known."""
    _, moon = shots.discs_in(i, view)
    if moon is None or not math.isfinite(sum(moon)):
        return None
    x, y, radius = moon
    c = np.arange(view.side, dtype=np.float32)
    away = np.hypot(c[:, None] - np.float32(y), c - np.float32(x)) - np.float32(radius + MARGIN_PX)
    return np.clip(away / np.float32(FADE_PX), 0.0, 1.0)


def corona_light(made: Cut, shots: Shots, i: int, view: View) -> float:
    """Return the corona's light for the exposure in a ring that the Moon never reaches."""
    c = np.arange(view.side) - view.centre
    radius = shots.sun_radius_px(i, view.scale_arcsec)
    r = np.hypot(c[:, None], c) / radius
    ring = (r > CORONA_RING[0]) & (r < CORONA_RING[1]) & ~made.clipped & (made.picture[1] > 0)
    if np.count_nonzero(ring) < 100:
        return math.nan
    return float(np.median(made.picture[1][ring])) / float(shots.light[i])
