"""Least squares for a `Model` with a loss beyond which a frame counts for nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.crescent_model import (
    AIR,
    DOUBTFUL,
    DRIFT,
    DRIFT_USUAL,
    PIECES,
    SITE,
    TURN_PRIOR,
    TURNING,
    UP,
    Model,
)
from limbward.clock.path_fit import mirrored_cost
from limbward.normal_matrix import inverse

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MISS_SIGMA = 6.0  # a frame this far from the solution is not used
LOSS_SIGMA = 5.0  # of the loss; a frame ten times as far counts for nothing
# The loss begins wide, so that drift and orientation can settle, and narrows round by round.
LOSS_WIDTHS = (*(LOSS_SIGMA * 2.0**k for k in range(5, 0, -1)), *(LOSS_SIGMA,) * 20)
# That a parameter may go in one round, and when it has settled; the last of each is a piece's.
FURTHEST = np.array([30.0, 10.0, 0.02, 20.0, 50.0, 50.0, 0.1, 0.5, 0.5, 30.0])
SETTLED = np.array([1e-3, 1e-3, 1e-7, 1e-4, 1e-2, 1e-2, 1e-3, 1e-3, 1e-3, 1e-3])
LEAST_PIECE = 2  # frames used on each side of a setting of the clock
# A site that the crescents move is in doubt also where they cannot tell, along the Moon's path. The
# direction of an error is anybody's guess: in nine of ten it is under this many times the part
# across the path (5.7 degrees from the path at most, 2 sigma).
ALONG = 3.0
SITE_START_KM = 30.0
SITE_CHI2 = 9.0  # by which the stated site must fit worse to be doubted


def used_frames(model: Model, p: Floats) -> Mask:
    """Return which frames agree with parameters (P,), shape (N,)."""
    miss = np.hypot(*model.miss_px(p).T)
    return np.asarray(model.inside(p) & (miss < MISS_SIGMA * model.sigma_px(p)))


def late_s(model: Model, p: Floats) -> tuple[Floats, Floats]:
    """Return how late the clock read in each frame, seconds, and the Moon's speed, px/s."""
    miss, velocity = model.miss_px(p), model.velocity_px_s(p)
    square = np.maximum(np.sum(velocity**2, axis=1), 1e-24)
    # A clock that reads late by dt shows the Moon where it was dt before: project on its motion.
    return np.asarray(-np.sum(miss * velocity, axis=1) / square), np.sqrt(square)


def free_parameters(model: Model, used: Mask) -> Mask:
    """Return which parameters the frames used can tell, (P,): a piece needs frames of its own."""
    free = np.ones(model.parameters, bool)
    free[DOUBTFUL] = model.doubt is not None
    counts = np.bincount(model.piece[used], minlength=model.jump_s.size + 1)
    free[PIECES:] = (counts[1:] > 0) & (counts[0] > 0)
    return free


def solve(model: Model, start: Floats) -> tuple[float, Floats]:
    """Return the cost and the parameters of the robust fit.

    Parameters
    ----------
    model : Model
    start : ndarray, shape (P,)
    """
    p = start
    pieces = model.jump_s.size
    furthest = np.append(FURTHEST[:PIECES], np.full(pieces, FURTHEST[PIECES]))
    settled = np.append(SETTLED[:PIECES], np.full(pieces, SETTLED[PIECES]))
    sigma = model.sigma_px(p)
    site_km = SITE_START_KM
    for width in LOSS_WIDTHS:
        normal, right, weight = _equations(model, p, sigma, width)
        free = free_parameters(model, weight > 0.01)
        if width <= 2 * LOSS_SIGMA:
            site_km, _ = _site_scale(model, normal, right, p, free, site_km)
        move = np.zeros(p.size)
        move[free] = _move(model, normal, right, p, free, site_km)
        move = np.clip(move, -furthest, furthest)
        p = p + move
        if width == LOSS_SIGMA and (np.abs(move) < settled).all():
            break
    return cost(model, p), p


def _equations(
    model: Model, p: Floats, sigma: Floats, width: float
) -> tuple[Floats, Floats, Floats]:
    """Return normal matrix and right side without priors, and the frames' weights."""
    d = model.direct
    direct_sigma = np.zeros(0) if d is None else np.hypot(d.sigma_s, d.coarseness_s)
    miss, vectors, direct, instants = model.linearised(p)
    miss, direct = miss / sigma[:, None], direct / direct_sigma
    weight = np.where(model.inside(p), _weight(np.sum(miss**2, axis=1), width), 0.0)
    weight_direct = _weight(direct**2, width)
    vectors = (vectors / sigma[:, None, None]).reshape(-1, p.size)
    instants = instants / direct_sigma[:, None]
    twice = np.repeat(weight, 2)
    slope = model.scale_slope()
    normal = vectors.T @ (twice[:, None] * vectors) + np.outer(slope, slope)
    normal += instants.T @ (weight_direct[:, None] * instants)
    right = -vectors.T @ (twice * miss.ravel()) - instants.T @ (weight_direct * direct)
    return normal, right - slope * float(model.scale_miss(p)), weight


def _move(
    model: Model, normal: Floats, right: Floats, p: Floats, free: Mask, site_km: float
) -> Floats:
    prior = model.prior(site_km)
    # What the angle is known to beforehand is nothing: its prior only keeps it from running away.
    centre = np.where(np.arange(p.size) == UP, p, 0.0)
    full = normal + np.diag(1.0 / prior**2)
    return inverse(full[np.ix_(free, free)]) @ (right - (p - centre) / prior**2)[free]


def site_of(model: Model, p: Floats) -> tuple[float, float]:
    """Return how far off the site may be, km along each axis, and how much worse the stated fits.

    Parameters
    ----------
    model : Model
    p : ndarray, shape (P,)
        Solution.
    """
    normal, right, weight = _equations(model, p, model.sigma_px(p), LOSS_SIGMA)
    free = free_parameters(model, weight > 0.01)
    km = SITE_START_KM
    for _ in range(3):
        km, worse = _site_scale(model, normal, right, p, free, km)
    return km, worse


def _site_scale(
    model: Model, normal: Floats, right: Floats, p: Floats, free: Mask, site_km: float
) -> tuple[float, float]:
    """Return how far off the site may be: as stated, or as crescents ask; see `site_of`."""
    if model.doubt is None:
        return site_km, 0.0
    stated = model.doubt.site_km
    asked = p.copy()
    asked[free] += _move(model, normal, right, p, free, site_km)
    # How much worse the stated site fits, all else left free.
    held = free.copy()
    held[SITE] = False
    worse = _gain(model, normal, right, p, free) - _gain(model, normal, right, p, held, back=True)
    if worse <= SITE_CHI2:
        return stated, worse
    far = float(np.hypot(*asked[SITE]))
    return float(np.hypot(stated, ALONG * far * np.sqrt(1.0 - SITE_CHI2 / worse))), worse


def _gain(
    model: Model, normal: Floats, right: Floats, p: Floats, free: Mask, *, back: bool = False
) -> float:
    """Return the drop of chi-square from ``p``, with the site first put ``back`` where stated."""
    prior = model.prior(1e3)
    full = normal + np.diag(1.0 / prior**2)
    centre = np.where(np.arange(p.size) == UP, p, 0.0)
    gradient = right - (p - centre) / prior**2
    drop = 0.0
    if back:
        away = np.zeros(p.size)
        away[SITE] = -p[SITE]
        drop = float(2.0 * gradient @ away - away @ full @ away)
        gradient = gradient - full @ away
    few = gradient[free]
    return drop + float(few @ inverse(full[np.ix_(free, free)]) @ few)


def _weight(square: Floats, width: float) -> Floats:
    return np.asarray(1.0 / (1.0 + square / width**2) ** 2)


def _capped(square: Floats) -> float:
    """Return the sum of squares in which none counts more than that of the loss's width."""
    return float(np.sum(1.0 / (1.0 / np.maximum(square, 1e-12) + 1.0 / LOSS_SIGMA**2)))


def cost(model: Model, p: Floats) -> float:
    """Return the chi-square of parameters (P,), priors included, with a loss that is bounded."""
    square = np.sum((model.miss_px(p) / model.sigma_px(p)[:, None]) ** 2, axis=1)
    total = _capped(np.where(model.inside(p), square, np.inf))
    d = model.direct
    if d is not None:
        total += _capped((model.direct_miss_s(p) / np.hypot(d.sigma_s, d.coarseness_s)) ** 2)
    total += float(model.scale_miss(p)) ** 2 + drift_cost(p)
    total += float(np.sum((p[TURNING] / TURN_PRIOR) ** 2))
    total += mirrored_cost(model.mirrored)
    if model.doubt is not None:
        # Coordinates are right, or wrong by anything: the tails are those of a Cauchy density.
        far = float(np.sum(p[SITE] ** 2)) / model.doubt.site_km**2
        total += 3.0 * float(np.log1p(far)) + (p[AIR] / model.doubt.air) ** 2
    return float(total)


def drift_cost(p: Floats) -> float:
    """Return what a drift costs beside none, as chi-square: one of minutes an hour is a bad clock.

    The tails are those of a Cauchy density: what is not usual may be anything. Without this cost a
    setting that few crescents show passes for a drift of 20 s an hour, which no quartz has.
    """
    return 2.0 * float(np.log1p((p[DRIFT] / DRIFT_USUAL) ** 2))


def offset_variance(model: Model, p: Floats) -> float:
    """Return the variance of the clock's offset at the epoch by least squares, s^2."""
    normal, _, weight = _equations(model, p, model.sigma_px(p), LOSS_SIGMA)
    free = free_parameters(model, weight > 0.01)
    stated = SITE_START_KM if model.doubt is None else model.doubt.site_km
    full = normal + np.diag(1.0 / model.prior(stated) ** 2)
    return float(inverse(full[np.ix_(free, free)])[0, 0])  # the offset is the first


def without_empty_pieces(total: float, p: Floats, model: Model) -> tuple[float, Floats, Model]:
    """Return the fit with those pieces of the clock only that hold frames which agree."""
    while model.jump_s.size:
        used = used_frames(model, p)
        counts = np.bincount(model.piece[used], minlength=model.jump_s.size + 1)
        if counts.min() >= LEAST_PIECE:
            break
        total, p, model = _without_piece(model, p, int(np.argmin(counts)), used)
    return total, p, model


def _without_piece(model: Model, p: Floats, k: int, used: Mask) -> tuple[float, Floats, Model]:
    """Return the fit in which piece ``k`` belongs to its neighbour with more frames."""
    counts = np.bincount(model.piece[used], minlength=model.jump_s.size + 1)
    sides = [j for j in (k - 1, k + 1) if 0 <= j < counts.size]
    into = max(sides, key=lambda j: (counts[j], -j))
    kept = [j for j in range(counts.size) if j != k]
    offsets = np.append(0.0, model.jump_s) + np.append(0.0, p[PIECES:])
    piece = np.where(model.piece == k, into, model.piece)
    piece = np.searchsorted(kept, piece)
    first = offsets[kept[0]]
    sized = model.sized & used
    plain = replace(
        model,
        piece=piece,
        base_s=model.base_s + first,
        jump_s=offsets[kept[1:]] - first,
        sized=sized if sized.any() else model.sized,
    )
    start = np.append(p[:PIECES], np.zeros(plain.jump_s.size))
    return *solve(plain, start), plain
