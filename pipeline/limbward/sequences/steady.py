"""Less noise in a film's totality: each frame averaged with its neighbours, registered on the Sun.

The corona does not change in a minute, so frames of it that are registered on the Sun are frames
of the same light. What does change stays each frame's own: the Moon with all that it covers or
sets free, what is saturated, and light that came or went (glare of the first and last bead, cloud).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from limbward.radiance.scratch import Room, by_rows
from limbward.sequences.cut import Cut, View
from limbward.sequences.shots import Shots

Pixels = NDArray[np.float32]

CORONA_RING = (1.3, 1.9)  # solar radii: the Moon never reaches there
MARGIN_PX = 2.0  # beyond the Moon's limb: its blur
FADE_PX = 6.0  # over which a neighbour comes in beyond that
SMOOTH_PX = 4.0  # for the comparison of light: noise is averaged out, glare and cloud are not
AT_ONCE = 64  # rows averaged at a time
ALIKE = 0.1  # relative difference of light at which a neighbour counts half


@dataclass
class Held:
    """A cut that waits for its neighbours; what is compared is made once for all of them."""

    i: int
    cut: Cut | str
    light: float = 0.0  # the corona's, for the exposure; 0 where none is to be compared
    smooth: Pixels | None = None  # its green, smoothed


def steadied(
    made: Iterable[tuple[int, Cut | str]],
    shots: Shots,
    views: Sequence[View],
    count: int,
    room: Room = np.empty,
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
    room : callable
        Makes arrays of the size of a cut.

    Notes
    -----
    White noise falls by the root of the number of frames, three at an end of totality.
    """
    before = max(count - 1, 0) // 2
    held: list[Held] = []
    at = 0  # of ``held``: the next to be given
    for i, cut in made:
        held.append(_held(i, cut, shots, views[i], room) if before else Held(i, cut))
        while len(held) - at > before:
            yield held[at].i, _averaged(held, at, before, shots, views, room)
            at += 1
            if at > before:
                del held[0]
                at -= 1
    for k in range(at, len(held)):
        yield held[k].i, _averaged(held, k, before, shots, views, room)


def _held(i: int, cut: Cut | str, shots: Shots, view: View, room: Room) -> Held:
    if isinstance(cut, str) or shots.phase[i] != "totality":
        return Held(i, cut)
    light = corona_light(cut, shots, i, view)
    if not light > 0:
        return Held(i, cut)
    smooth = room(cut.clipped.shape, np.float32)
    for rows in by_rows(view.side, smooth, cut.picture):
        smooth[rows] = _smooth(cut.picture[1], rows)
    return Held(i, cut, light, smooth)


def _averaged(
    held: list[Held], at: int, reach: int, shots: Shots, views: Sequence[View], room: Room
) -> Cut | str:
    own = held[at]
    if isinstance(own.cut, str) or own.smooth is None:
        return own.cut
    mine = outside_moon(shots, own.i, views[own.i])
    if mine is None:
        return own.cut
    others = []
    for other in held[max(at - reach, 0) : at + reach + 1]:
        if other is own or isinstance(other.cut, str) or other.smooth is None:
            continue
        gain = own.light * shots.light[own.i] / (other.light * shots.light[other.i])
        others.append((other.cut, other.smooth, np.float32(gain)))
    out = room(own.cut.picture.shape, np.float32)
    read = [array for cut, smooth, _ in others for array in (*cut.arrays, smooth)]
    for rows in by_rows(views[own.i].side, out, *own.cut.arrays, own.smooth, *read, rows=AT_ONCE):
        smooth = own.smooth[rows]
        total, weight = np.array(own.cut.picture[:, rows]), np.ones(smooth.shape, np.float32)
        beyond = mine(rows)
        for cut, its, gain in others:
            # What its Moon hides is unlike as well.
            off = gain * its[rows] - smooth
            alike = 1.0 / (1.0 + (off / (ALIKE * np.maximum(smooth, np.float32(1e-9)))) ** 4)
            share = beyond * alike
            share[own.cut.clipped[rows] | cut.clipped[rows]] = 0.0
            total += (share * gain) * cut.picture[:, rows]
            weight += share
        np.divide(total, weight, out=out[:, rows])
    return Cut(out, own.cut.clipped, own.cut.white)


def _smooth(plane: Pixels, rows: slice) -> Pixels:
    """Return rows of a plane smoothed, as if all of it had been."""
    reach = int(4.0 * SMOOTH_PX + 0.5)  # scipy's own
    top = max(rows.start - reach, 0)
    around = np.asarray(plane[top : rows.stop + reach])
    return gaussian_filter(around, SMOOTH_PX)[rows.start - top : rows.stop - top]


def outside_moon(shots: Shots, i: int, view: View) -> Callable[[slice], Pixels] | None:
    """Return how much of a cut's pixels lies beyond a frame's Moon; None if it is not known.

    Returns
    -------
    callable or None
        Of some rows, shape (n, S), from 0 to 1.
    """
    _, moon = shots.discs_in(i, view)
    if moon is None or not math.isfinite(sum(moon)):
        return None
    x, y, radius = moon
    c = np.arange(view.side, dtype=np.float32)
    across = c - np.float32(x)

    def beyond(rows: slice) -> Pixels:
        away = np.hypot(c[rows, None] - np.float32(y), across) - np.float32(radius + MARGIN_PX)
        return np.clip(away / np.float32(FADE_PX), 0.0, 1.0)

    return beyond


def corona_light(made: Cut, shots: Shots, i: int, view: View) -> float:
    """Return the corona's light for the exposure in a ring that the Moon never reaches."""
    radius = shots.sun_radius_px(i, view.scale_arcsec)
    c = (np.arange(view.side) - view.centre) / radius
    within = np.flatnonzero(np.abs(c) < CORONA_RING[1])
    box = slice(int(within[0]), int(within[-1]) + 1)
    across = c[box] ** 2
    found = []
    for some in by_rows(within.size, made.picture, made.clipped, rows=AT_ONCE):
        rows = slice(box.start + some.start, box.start + some.stop)
        light = made.picture[1, rows, box]
        r = c[rows, None] ** 2 + across
        ring = (r > CORONA_RING[0] ** 2) & (r < CORONA_RING[1] ** 2)
        found.append(light[ring & ~made.clipped[rows, box] & (light > 0)])
    values = np.concatenate(found)
    if values.size < 100:
        return math.nan
    return float(np.median(values, overwrite_input=True)) / float(shots.light[i])
