"""A camera's clock from its frames with beads: all of them together, and how surely."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from limbward.clock.bead_light import Edges
from limbward.clock.bead_match import (
    BIN_DEG,
    VARIANCE,
    Optics,
    Singles,
    Templates,
    mirrored,
    misfit,
    templates,
)
from limbward.geometry.angle import half_turn
from limbward.geometry.disc import RIM_BINS as BINS

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Columns = NDArray[np.int64]

# A frame that no instant explains counts no more than this against any.
WORST = 30.0
# By how much pictures are turned against each other, by the mount and by the error of the Moon's
# measured centre across the line of sight: a pixel in 300.
TURN_SIGMA_DEG = 0.25
TURNS = 3  # bins either way
# What the Sun's radius leaves open, arcsec: L. Quaglia et al. (2021) state 0.05, but the outermost
# edge fades to 1/e in less than 0.1 arcsec, so that a picture in which a hundredth of its
# brightness is clipped sees the Sun 0.3 arcsec larger. A larger Sun makes C2 later and C3 earlier,
# by less than LATE_S; both together are free of it.
RADIUS_SIGMA_ARCSEC = 0.2
LATE_S = 2.0
SLOWEST_ARCSEC_S = 0.1  # that limbs pass each other, near the edge of the path
COARSE_S, FINE_S = 0.25, 0.04
NEAR_S = 1.5  # around the best of the coarse offsets
# Of relief between the pixels of its map, and of what the light of the Sun's edge leaves open.
FLOOR_S = 0.06
# What is wrong in one frame is not averaged by others: its own date is so much worse than its
# likelihood says (on painted pictures 0.17 s rms, stated 0.11 without this).
ALONE = 1.6
APART_S = 20.0  # between frames of two contacts


@dataclass(frozen=True)
class BeadFrames:
    """Short frames without filter near second and third contact, N of them, in order of time.

    Attributes
    ----------
    reading_s, resolution_s, exposure_s : ndarray, shape (N,)
        As of `limbward.clock.readings.Readings`.
    gain : ndarray, shape (N,)
        Exposure times ISO over 100.
    level : ndarray of float32, shape (N, BINS)
        Of `limbward.limb.rim.rim_light`.
    """

    reading_s: Floats
    resolution_s: Floats
    exposure_s: Floats
    gain: Floats
    level: Singles

    def of(self, chosen: Mask | NDArray[np.int64]) -> BeadFrames:
        """Return some of the frames."""
        return BeadFrames(*(getattr(self, f.name)[chosen] for f in fields(self)))


@dataclass(frozen=True)
class Turned:
    """How a camera may be turned: position angle of its up at the epoch, degrees.

    ``sigma_deg`` is infinite if nothing is known. ``mirrored`` tells which kind of picture that
    angle is of. ``turn_deg`` (N,) is by how much the field has turned at each frame.
    """

    up_deg: float
    sigma_deg: float
    mirrored: bool
    turn_deg: Floats

    def log_prior(self, ups: Columns) -> Floats:
        """Return the logarithm of the probability of orientations in bins, shape (U,)."""
        if not np.isfinite(self.sigma_deg):
            return np.zeros(ups.size)
        off = half_turn(np.asarray(ups * BIN_DEG - self.up_deg, np.float64))
        return np.maximum(-0.5 * (off / max(self.sigma_deg, BIN_DEG)) ** 2, -60.0)


@dataclass(frozen=True)
class Fit:
    """The clock that fits best.

    Attributes
    ----------
    log_likelihood : float
    offset_s : float
        Reading less UTC.
    sigma_s : float
        Standard error, that of the Sun's radius included.
    up_deg : float
    turned : Turned
        The supposition that it was found under.
    optics : Optics
    late_s, late_sigma_s : float
        By how much the Sun's radius makes second contact later than supposed, and the third
        earlier, and the standard error.
    """

    log_likelihood: float
    offset_s: float
    sigma_s: float
    up_deg: float
    turned: Turned
    optics: Optics
    late_s: float = 0.0
    late_sigma_s: float = np.inf


@dataclass(frozen=True)
class Grid:
    """Offsets (O,) that are tried, evenly spaced."""

    offset_s: Floats
    step_s: float


def grid_of(middle_s: float, half_s: float, step_s: float) -> Grid:
    """Return offsets on either side of one."""
    n = int(np.ceil(half_s / step_s))
    return Grid(middle_s + step_s * np.arange(-n, n + 1, dtype=np.float64), step_s)


def groups(frames: BeadFrames) -> list[NDArray[np.int64]]:
    """Return the frames of each contact."""
    breaks = np.flatnonzero(np.diff(frames.reading_s) > APART_S) + 1
    return [part for part in np.split(np.arange(frames.reading_s.size), breaks) if part.size]


def likelihoods(
    edges: Edges, frames: BeadFrames, turned: Turned, optics: Optics, grid: Grid, ups: Columns
) -> Singles:
    """Return how well each frame fits each offset and orientation, shape (N, O, U).

    Parameters
    ----------
    edges : Edges
    frames : BeadFrames
    turned : Turned
        Only what it says of mirroring and of the field's turning counts.
    optics : Optics
    grid : Grid
    ups : ndarray of int, shape (U,)
        Orientations that are looked at, one after the other: position angles of up, in bins.

    Returns
    -------
    ndarray of float32
        Log-likelihood; the reading is taken for any instant of its step, the picture for turned by
        a little more or less than the others.
    """
    found = np.empty((frames.reading_s.size, grid.offset_s.size, ups.size), np.float32)
    first, last = grid.offset_s[0], grid.offset_s[-1]
    for group in groups(frames):
        begun = frames.reading_s[group] + 0.5 * frames.exposure_s[group]
        low = begun.min() - last - 2.0 * grid.step_s
        high = np.max(begun + frames.resolution_s[group]) - first + 4.0 * grid.step_s
        t = np.arange(low, high, grid.step_s)
        light = optics.spread.over(
            edges.light(t, optics.fade_arcsec), float(np.mean(edges.moon_arcsec(t)))
        )
        gain = frames.gain[group] if optics.brightness else np.zeros(group.size)
        for one in np.unique(gain):
            shown = templates(t, light, optics, float(one), ups.size + 2 * TURNS)
            for i, start in zip(group[gain == one], begun[gain == one], strict=True):
                found[i] = _likelihood(frames, int(i), float(start), turned, shown, grid, ups)
    return found


def _likelihood(
    frames: BeadFrames,
    i: int,
    start: float,
    turned: Turned,
    shown: Templates,
    grid: Grid,
    ups: Columns,
) -> Singles:
    level = mirrored(frames.level[i]) if turned.mirrored else frames.level[i]
    last = grid.offset_s[-1]
    # Of the instants between reading and reading plus step, less the offset.
    more = max(int(np.ceil(frames.resolution_s[i] / grid.step_s)), 1)
    within = 0.5 * grid.step_s if frames.resolution_s[i] > grid.step_s else 0.0
    begin = round(float((start + within - last - shown.t[0]) / grid.step_s))
    at = shown.part(begin, grid.offset_s.size + more)
    # A field that turned by so much since the epoch has its up there.
    there = np.arange(ups[0] - TURNS, ups[-1] + TURNS + 1)
    there += round(float(turned.turn_deg[i]) / BIN_DEG)
    each = misfit(level, at, there % BINS) / np.float32(-2.0 * VARIANCE)
    each = _any_turn(np.logaddexp(each, np.float32(-WORST)))
    # The mean over the step: from the instant of each offset on, in order of falling offsets.
    top = each.max()
    sums = np.cumsum(np.exp(each - top), axis=0, dtype=np.float64)
    sums = np.concatenate([np.zeros((1, ups.size)), sums])
    mean = (sums[more : more + grid.offset_s.size] - sums[: grid.offset_s.size]) / more
    return np.asarray(np.log(np.maximum(mean, 1e-30))[::-1] + top, np.float32)


def _any_turn(each: Singles) -> Singles:
    """Return likelihoods with each picture turned as suits it best, without ``TURNS`` at the ends.

    It costs the more, the more it is turned against the others.
    """
    count = each.shape[1] - 2 * TURNS
    best = np.full((each.shape[0], count), -np.inf, np.float32)
    for k in range(2 * TURNS + 1):
        cost = np.float32(0.5 * ((k - TURNS) * BIN_DEG / TURN_SIGMA_DEG) ** 2)
        best = np.maximum(best, each[:, k : k + count] - cost)
    return best


def _ups(turned: Turned) -> Columns:
    """Return the orientations that are possible, in bins."""
    if not np.isfinite(turned.sigma_deg):
        return np.arange(BINS)
    reach = int(np.ceil(5.0 * max(turned.sigma_deg, BIN_DEG) / BIN_DEG))
    return round(turned.up_deg / BIN_DEG) + np.arange(-reach, reach + 1)


def best_of(
    edges: Edges, frames: BeadFrames, turned: Turned, optics: Optics, middle_s: float, half_s: float
) -> Fit:
    """Return the best clock by a look at coarse offsets, its error not yet known."""
    ups = _ups(turned)
    offset, late, total = _totals(edges, frames, turned, optics, (middle_s, half_s, COARSE_S), ups)
    i, k, s = np.unravel_index(int(np.argmax(total)), total.shape)
    up = float(ups[s]) * BIN_DEG
    return Fit(float(total[i, k, s]), float(offset[k]), np.inf, up, turned, optics, float(late[i]))


def refined(edges: Edges, frames: BeadFrames, fit: Fit) -> Fit:
    """Return a fit with its offset and error, whatever the Sun's radius.

    Parameters
    ----------
    edges : Edges
    frames : BeadFrames
    fit : Fit
        From `best_of`.
    """
    near = np.arange(-TURNS * 2, TURNS * 2 + 1) + round(fit.up_deg / BIN_DEG)
    around = (fit.offset_s, NEAR_S, FINE_S)
    offset, late, total = _totals(edges, frames, fit.turned, fit.optics, around, near)
    total = total.astype(np.float64)
    weight = np.exp(total - total.max())
    mean, spread = _moments(weight.sum(axis=(0, 2)), offset)
    up, _ = _moments(weight.sum(axis=(0, 1)), near.astype(np.float64) * BIN_DEG)
    return Fit(
        float(logsumexp(total)),
        mean,
        spread,
        up,
        fit.turned,
        fit.optics,
        *_moments(weight.sum(axis=(1, 2)), late),
    )


def _totals(
    edges: Edges,
    frames: BeadFrames,
    turned: Turned,
    optics: Optics,
    around: tuple[float, float, float],
    ups: Columns,
) -> tuple[Floats, Floats, Singles]:
    """Return offsets (O,), how late C2 is (L,), and the log-posterior of all frames (L, O, U).

    ``around`` is the middle of the offsets, how far they reach and their step, seconds.
    """
    middle, half, step = around
    more = round(LATE_S / step)
    grid = grid_of(middle, half + more * step, step)
    each = likelihoods(edges, frames, turned, optics, grid, ups)
    third = frames.reading_s > middle
    second, other = each[~third].sum(axis=0), each[third].sum(axis=0)
    count = grid.offset_s.size - 2 * more
    late = step * np.arange(-more, more + 1, dtype=np.float64)
    cost = 0.5 * (late / _late_sigma_s(edges, frames, middle)) ** 2
    prior = turned.log_prior(ups).astype(np.float32)
    total = np.empty((late.size, count, ups.size), np.float32)
    for i in range(late.size):
        # A picture of a larger Sun looks like an earlier one at C2, that is of a greater offset.
        there = second[i : i + count] + other[2 * more - i : 2 * more - i + count]
        total[i] = there + prior - np.float32(cost[i])
    return grid.offset_s[more : more + count], late, total


def _late_sigma_s(edges: Edges, frames: BeadFrames, offset_s: float) -> float:
    """Return the error of the contacts by the Sun's radius, seconds."""
    at = frames.reading_s - offset_s
    speed = 0.5 * (edges.closing_arcsec_s(at.min()) + edges.closing_arcsec_s(at.max()))
    return RADIUS_SIGMA_ARCSEC / max(speed, SLOWEST_ARCSEC_S)


def _moments(weight: Floats, values: Floats) -> tuple[float, float]:
    """Return weighted mean and standard deviation."""
    share = weight / weight.sum()
    mean = float(share @ values)
    return mean, float(np.sqrt(share @ (values - mean) ** 2))


def frame_dates(edges: Edges, frames: BeadFrames, fit: Fit) -> tuple[Floats, Floats]:
    """Return when each exposure began by its own beads, and the standard error, shapes (N,).

    NaN where the beads of one frame tell no instant within a second and a half of its reading.

    Parameters
    ----------
    edges : Edges
    frames : BeadFrames
    fit : Fit
        From `refined`.
    """
    third = frames.reading_s > fit.offset_s
    grid = grid_of(0.0, NEAR_S, FINE_S)
    own, sigma = np.full(frames.reading_s.size, np.nan), np.full(frames.reading_s.size, np.nan)
    near = np.arange(-TURNS, TURNS + 1) + round(fit.up_deg / BIN_DEG)
    # With the reading as exact as can be, an offset of the clock is the instant, but for its sign.
    exact = BeadFrames(
        frames.reading_s + 0.5 * frames.resolution_s - fit.offset_s,
        np.zeros_like(frames.resolution_s),
        frames.exposure_s,
        frames.gain,
        frames.level,
    )
    each = likelihoods(edges, exact, fit.turned, fit.optics, grid, near).max(axis=2)
    for i, row in enumerate(each.astype(np.float64)):
        mean, spread = _moments(np.exp(row - row.max()), grid.offset_s)
        if spread < 0.4 * NEAR_S:
            own[i] = exact.reading_s[i] - mean + (-fit.late_s if third[i] else fit.late_s)
            sigma[i] = np.sqrt((ALONE * spread) ** 2 + fit.late_sigma_s**2 + FLOOR_S**2)
    return own, sigma
