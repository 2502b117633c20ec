"""Whether the camera was rolled about its axis between crescents, as when it is aimed anew."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Crescents
from limbward.clock.path_fit import mirrored_cost, scale_by_sizes, times_by_separation
from limbward.geometry.angle import half_turn
from limbward.geometry.orientation import Orientation
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

ROLL_COST = 25.0  # chi-square of each roll: one that nobody did comes by chance once in 10 000
LEAST_HELD = 2  # crescents between two rolls: one alone may be a bad measurement
LEAST_FRAMES = 4
# Of a time by the separation: the plate scale by the discs' sizes is good to 5e-4, and so a
# separation of 1000 arcsec to half an arcsecond.
TIME_SIGMA_S = 2.0
OUT = 25.0  # chi-square beyond which a crescent does not count for its part's mean
# Times by the separation are off alike, and with them angles near greatest eclipse: by up to 0.1.
LEAST_DEG = 0.3
LIMB_PX = 0.05  # by which limbs that scattered light reaches are off alike, pixels


@dataclass(frozen=True)
class Rolls:
    """How the camera was rolled in N crescents beside the first of them.

    ``part`` (N,) counts the rolls before each crescent, ``up_deg`` (N,) is the position angle of
    up in each by itself and ``sigma_deg`` (N,) its error, ``limb_deg`` (N,) what all limbs that are
    off alike may turn it by, ``mirrored`` whether that is of a mirrored picture.
    """

    part: Ints
    up_deg: Floats
    sigma_deg: Floats
    limb_deg: Floats
    mirrored: bool

    @property
    def count(self) -> int:
        """Number of rolls."""
        return int(self.part.max(initial=0))

    def of_parts(self) -> Floats:
        """Return the roll of each part beside the first, degrees, (count + 1,)."""
        up = np.array([_mean(self, self.part == k) for k in range(self.count + 1)])
        return half_turn(up - up[0])

    def roll_deg(self, reference: int) -> Floats:
        """Return the roll of each crescent beside a part, degrees, (N,)."""
        of_parts = self.of_parts()
        return half_turn(of_parts - of_parts[reference])[self.part]

    def error_deg(self, part: int) -> float:
        """Return how well the angle of a part is known, degrees: by its scatter and its limbs."""
        off = np.abs(half_turn(self.up_deg - _mean(self, self.part == part)))[self.part == part]
        off = off[np.isfinite(off)]
        if not off.size:
            return 180.0
        scatter = 1.4826 * float(np.median(off)) / np.sqrt(off.size)
        return float(np.hypot(scatter, np.nanmedian(self.limb_deg[self.part == part])))

    def without_small(self) -> Rolls:
        """Return the rolls but for those by less than can be told."""
        rolls = self
        while rolls.count:
            steps = np.abs(np.diff(rolls.of_parts()))
            k = int(np.argmin(steps))
            if steps[k] > LEAST_DEG:
                break
            rolls = replace(rolls, part=rolls.part - (rolls.part > k))
        return rolls

    def held(self, order: Floats, inside: Floats) -> tuple[int, float]:
        """Return which part frames of totality are of, and by how much they may be rolled, degrees.

        Parameters
        ----------
        order : ndarray, shape (N,)
            Numbers that grow in the order of taking, of the crescents.
        inside : ndarray
            Those of the frames of totality.
        """
        middle = inside if inside.size else np.array([np.median(order)])
        before, after = self.part[order < middle.min()], self.part[order > middle.max()]
        first, last = before.max(initial=0), after.min(initial=self.count)
        return int(last), float(np.abs(self.roll_deg(int(last))[self.part == first]).max(initial=0))


def find_rolls(track: SkyTrack, c: Crescents, rotates: bool | None) -> Rolls | None:
    """Return how the camera was rolled between crescents; None if it does not seem to have been.

    Parameters
    ----------
    track : SkyTrack
    c : Crescents
    rotates : bool or None
        Whether the field turns with the zenith; None tries both.

    Notes
    -----
    The separation of Sun and Moon and the order of taking date a crescent whatever way the camera
    was held; the direction of the Moon then tells that. The angles are cut into parts by dynamic
    programming (R. Bellman, Commun. ACM 4 (1961) 284), each with a mean of its own at a price.
    """
    valid = c.valid()
    if valid.sum() < LEAST_FRAMES:
        return None
    some = c.of(valid)
    scale = scale_by_sizes(track, some)
    turnings = (False, True) if rotates is None else (rotates,)
    best: tuple[float, Rolls | None] = (np.inf, None)
    times = [
        times_by_separation(track, some, scale, nearest_rises=later) for later in (False, True)
    ]
    order = np.argsort(some.order, kind="stable")
    for t, mirrored, turning in product(times, (False, True), turnings):
        if t is None or np.isfinite(t).sum() < LEAST_FRAMES:
            return None
        up, sigma = up_angles(track, some, t, scale, mirrored, turning)
        told = order[np.isfinite(up[order])]
        part, price = _parts(up[told], sigma[told])
        price += mirrored_cost(mirrored)
        if price < best[0]:
            best = price, _spread(c, some, valid, told, part, up, sigma, mirrored)
    rolls = best[1] and best[1].without_small()
    return rolls if rolls is not None and rolls.count else None


def refined(
    rolls: Rolls, track: SkyTrack, c: Crescents, t: Floats, o: Orientation, rotates: bool
) -> Rolls:
    """Return the rolls with angles by times (N,) that are known better, and by that orientation."""
    up, sigma = up_angles(track, c, t, o.pixel_scale_arcsec, o.mirrored, rotates, time_sigma_s=0.3)
    return replace(rolls, up_deg=up, sigma_deg=sigma, mirrored=o.mirrored)


def unrolled(c: Crescents, roll_deg: Floats, mirrored: bool) -> Crescents:
    """Return the crescents as the camera would show them without its rolls (N,)."""
    side = 1.0 if mirrored else -1.0
    turned = (-c.dy + 1j * side * c.dx) * np.exp(1j * np.radians(roll_deg))
    return replace(c, dx=side * turned.imag, dy=-turned.real)


def said(rolls: Rolls, open_deg: float) -> str:
    """Return in a sentence how the camera was rolled, and what that leaves open of totality."""
    by = [f"{step:+.1f}" for step in half_turn(np.diff(rolls.of_parts()))]
    times = "once" if len(by) == 1 else f"{len(by)} times"
    text = (
        f"The camera was rolled about its axis {times} between partial frames, by {', '.join(by)} "
        "degrees, as when it is aimed anew; the crescents are used with that."
    )
    if open_deg:
        text += (
            f" One roll fell between the last partial frame before totality and the first after "
            f"it, so north in the corona is uncertain by {open_deg:.1f} degrees. Give "
            "align.up_position_angle in the config if you know better."
        )
    return text


def up_angles(
    track: SkyTrack,
    c: Crescents,
    t: Floats,
    scale: float,
    mirrored: bool,
    rotates: bool,
    time_sigma_s: float = TIME_SIGMA_S,
) -> tuple[Floats, Floats]:
    """Return the position angle of up that each crescent tells, degrees, and its error, (N,).

    Where the field turns with the zenith, that at the epoch.
    """
    t = np.clip(t, track.first_s, track.last_s)
    side = 1.0 if mirrored else -1.0
    seen = np.degrees(np.arctan2(side * c.dx, -c.dy))
    up = _angle(track, t) - seen
    if rotates:
        up = up - track.turned(t) - c.turn_deg
    rate = np.abs(half_turn(_angle(track, t + 1.0) - _angle(track, t - 1.0))) / 2.0
    separation_px = np.hypot(c.dx, c.dy)
    sigma_s = np.hypot(time_sigma_s, c.sigma_px * scale / 0.3)  # the Moon moves by 0.3 to 0.6"/s
    sigma = np.hypot(np.degrees(c.sigma_px / np.maximum(separation_px, 1e-9)), rate * sigma_s)
    return half_turn(up), sigma


def _angle(track: SkyTrack, t: Floats) -> Floats:
    east, north = track.offset_arcsec(t).T
    return np.degrees(np.arctan2(east, north))


def _mean(rolls: Rolls, chosen: Mask) -> float:
    """Return the weighted mean angle of some crescents, without those far from their median.

    NaN where none tells one any more.
    """
    up, weight = rolls.up_deg[chosen], 1.0 / rolls.sigma_deg[chosen] ** 2
    known = np.isfinite(up * weight)
    if not known.any():
        return float("nan")
    up, weight = up[known], weight[known]
    heavy = up[np.argmax(weight)]
    off = half_turn(up - heavy)
    middle = _weighted_median(off, np.sqrt(weight))
    near = (off - middle) ** 2 * weight < OUT
    if not near.any():
        return float(heavy + middle)
    return float(heavy + np.sum(off[near] * weight[near]) / np.sum(weight[near]))


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values)
    sums = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(sums, 0.5 * sums[-1])])


def _parts(up: Floats, sigma: Floats) -> tuple[Ints, float]:
    """Return the part of each crescent in order of taking, and what all cost."""
    n = up.size
    weight = 1.0 / sigma**2
    up = half_turn(up - up[np.argmax(weight)])
    w, wu, wuu = (np.append(0.0, np.cumsum(weight * up**k)) for k in range(3))
    cost, begin = np.full(n + 1, np.inf), np.zeros(n + 1, int)
    cost[0] = -ROLL_COST
    for end in range(LEAST_HELD, n + 1):
        starts = np.arange(0, end - LEAST_HELD + 1)
        sums = [s[end] - s[starts] for s in (w, wu, wuu)]
        spread = np.maximum(sums[2] - sums[1] ** 2 / sums[0], 0.0)
        total = cost[starts] + spread + ROLL_COST
        k = int(np.argmin(total))
        cost[end], begin[end] = total[k], starts[k]
    part, end = np.zeros(n, int), n
    while end > 0:
        part[begin[end] :] += begin[end] > 0
        end = begin[end]
    return part, float(cost[n])


def _spread(
    c: Crescents,
    some: Crescents,
    valid: Mask,
    order: Ints,
    part: Ints,
    up: Floats,
    sigma: Floats,
    mirrored: bool,
) -> Rolls:
    """Return the parts with all crescents in them, those that tell no angle by their order."""
    begins = [some.order[order[part == k]].min() for k in range(1, int(part.max(initial=0)) + 1)]
    every = np.searchsorted(np.array(begins), c.order, side="right")
    angles, errors = np.full(c.order.size, np.nan), np.full(c.order.size, np.nan)
    angles[valid], errors[valid] = up, sigma
    limb = np.degrees(LIMB_PX / np.maximum(np.hypot(c.dx, c.dy), 1.0))
    return Rolls(every, angles, errors, limb, mirrored)
