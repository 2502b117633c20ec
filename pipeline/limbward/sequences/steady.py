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

from limbward.radiance.scratch import by_rows
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
    others = []
    for j, other in held[max(at - reach, 0) : at + reach + 1]:
        if j == i or isinstance(other, str) or shots.phase[j] != "totality":
            continue
        its = corona_light(other, shots, j, views[j])
        if its > 0:
            others.append((other, np.float32(level * shots.light[i] / (its * shots.light[j]))))
    out = np.empty(own.picture.shape, np.float32)
    for rows in by_rows(len(mine), own.picture, *(o.picture for o, _ in others)):
        smooth = _smooth(own.picture[1], rows)
        total, weight = np.array(own.picture[:, rows]), np.ones(smooth.shape, np.float32)
        for other, gain in others:
            # What its Moon hides is unlike as well.
            off = gain * _smooth(other.picture[1], rows) - smooth
            alike = 1.0 / (1.0 + (off / (ALIKE * np.maximum(smooth, np.float32(1e-9)))) ** 4)
            share = mine[rows] * alike
            share[own.clipped[rows] | other.clipped[rows]] = 0.0
            total += (share * gain) * other.picture[:, rows]
            weight += share
        np.divide(total, weight, out=out[:, rows])
    return i, Cut(out, own.clipped, own.white)


def _smooth(plane: Pixels, rows: slice) -> Pixels:
    """Return rows of a plane smoothed, as if all of it had been."""
    reach = int(4.0 * SMOOTH_PX + 0.5)  # scipy's own
    top = max(rows.start - reach, 0)
    around = np.asarray(plane[top : rows.stop + reach])
    return gaussian_filter(around, SMOOTH_PX)[rows.start - top : rows.stop - top]


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
    found = []
    for rows in by_rows(view.side, made.picture):
        r = np.hypot(c[rows, None], c) / radius
        light = made.picture[1, rows]
        ring = (r > CORONA_RING[0]) & (r < CORONA_RING[1]) & ~made.clipped[rows] & (light > 0)
        found.append(light[ring])
    values = np.concatenate(found)
    return float(np.median(values)) / float(shots.light[i]) if values.size >= 100 else math.nan
