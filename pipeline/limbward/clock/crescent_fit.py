"""Clock, plate scale and orientation of a camera from the crescents it photographed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.consensus import CONSENSUS_S, LEAST_FRAMES, Consensus, consensus, enough
from limbward.clock.crescent_model import (
    DRIFT,
    DRIFT_PRIOR,
    OFFSET,
    PRIOR,
    SCALE,
    STEP,
    UP,
    Model,
)
from limbward.clock.crescent_posterior import posterior
from limbward.clock.evidence import Crescents, Direct
from limbward.geometry.orientation import Orientation
from limbward.normal_matrix import inverse
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MISS_SIGMA = 6.0  # a frame this far from the solution is not used
LOSS_SIGMA = 5.0  # of the loss; a frame ten times as far counts for nothing
# The loss begins wide, so that drift and orientation can settle, and narrows round by round.
LOSS_WIDTHS = (*(LOSS_SIGMA * 2.0**k for k in range(5, 0, -1)), *(LOSS_SIGMA,) * 20)
FURTHEST = np.array([30.0, 10.0, 0.02, 20.0, 30.0])  # that a parameter may go in one round
SETTLED = np.array([1e-3, 1e-3, 1e-7, 1e-4, 1e-3])
STEP_GAIN = 30.0  # drop of chi-square that a clock set during the session must bring
STEP_LEAST_S = 1.0
RIVAL_CHI2 = 25.0  # a second clock that fits worse by more than this is out
DIRECT_DRIFT = DRIFT_PRIOR / 2.0  # s/h, by which instants known directly may differ from crescents


@dataclass(frozen=True)
class Step:
    """A clock set during the session, between two crescents in order of taking.

    ``seconds`` is what the clock read more afterwards; ``after`` and ``before`` are the orders of
    the last crescent before it and of the first one after it.
    """

    seconds: float
    sigma_s: float
    after: float
    before: float


@dataclass(frozen=True)
class CrescentFit:
    """What the crescents say; arrays are one a frame.

    ``residual_s`` is how late the clock read, also in frames that were not ``used``; NaN in frames
    that are not ``inside``, hours from the eclipse by this clock or without a usable measurement.
    ``direct_used`` (M,) are the instants known directly that agree well enough to have joined.
    ``rival_s`` is the offset of a second clock that fits about as well, None without one.
    """

    cost: float
    offset_s: float
    offset_sigma_s: float
    drift_s_per_hour: float
    drift_sigma_s_per_hour: float
    covariance: Floats
    orientation: Orientation
    scale_sigma_arcsec: float
    up_sigma_deg: float
    rotates: bool
    step: Step | None
    residual_s: Floats
    used: Mask
    inside: Mask
    direct_used: Mask
    rival_s: float | None = None


def fit_crescents(
    track: SkyTrack,
    crescents: Crescents,
    direct: Direct | None,
    rotates: bool | None,
    relief_arcsec: float = 0.0,
) -> list[CrescentFit]:
    """Fit a camera's clock, scale and orientation.

    Parameters
    ----------
    track : SkyTrack
    crescents : Crescents
        Frames without a finite measurement are left out.
    direct : Direct or None
        Instants known otherwise, which join the fit where they agree with it.
    rotates : bool or None
        Whether the field turns with the zenith; None tries both.
    relief_arcsec : float
        Error of the Moon's centre by the mountains on its limb. They are the same in all frames,
        so that N frames do not average them away: each counts as if it had sqrt(N) times this.

    Returns
    -------
    list of CrescentFit
        The best first, then other clocks that fit nearly as well. Empty if fewer than three
        crescents, or fewer than three in ten, fit one clock.

    Notes
    -----
    The start comes from the separations alone (`consensus`). Gauss-Newton steps follow, with the
    loss of S. Geman and D. E. McClure (Bull. Int. Stat. Inst. 52 (1987) 5), beyond which a frame
    counts for nothing, narrowed round by round (graduated non-convexity: A. Blake, A. Zisserman,
    *Visual Reconstruction*, MIT Press 1987); all that is solved for is relative to the consensus
    and has a prior. The reading's coarseness is a normal error along the Moon's path in it; in the
    posterior that follows it is the interval that it is.
    """
    valid = crescents.valid()
    if valid.sum() < LEAST_FRAMES:
        return []
    c = crescents.of(valid)
    scale0 = float(np.median(track.sun_radius_arcsec(np.zeros(1)) / c.sun_radius_px))
    relief_px = relief_arcsec / scale0 * np.sqrt(c.sigma_px.size)
    c = replace(c, sigma_px=np.hypot(c.sigma_px, relief_px))
    turnings = (False, True) if rotates is None else (rotates,)
    found = []
    for start in consensus(track, c):
        close, agrees = _close(direct, c, start)
        tries = []
        for mirrored in (False, True):
            for turning in turnings:
                model = Model(
                    track, c, close, scale0, mirrored, turning, start.later,
                    start.offset_s, start.step_s, start.voters,
                )  # fmt: skip
                tries.append((*_solve(model, _first_guess(model, start.voters)), model))
        cost, p, model = min(tries, key=lambda t: t[0])
        cost, p, model = _settled(cost, p, model)
        used = _used(model, p)
        if enough(int(used.sum()), used.size):
            found.append((cost, p, model, used, agrees))
    if not found:
        return []
    found.sort(key=lambda f: f[0])
    fits = [
        _spread(_finish(*f), valid, crescents.order.size)
        for f in found
        if f[0] - found[0][0] < RIVAL_CHI2
    ]
    # Two starts may end in one clock.
    distinct = [
        f
        for k, f in enumerate(fits)
        if all(abs(f.offset_s - g.offset_s) > CONSENSUS_S for g in fits[:k])
    ]
    return distinct


def _close(d: Direct | None, c: Crescents, start: Consensus) -> tuple[Direct | None, Mask]:
    """Return the instants known directly that can be of the clock that crescents agree on."""
    if d is None:
        return None, np.zeros(0, bool)
    later = np.zeros(d.order.size, bool)
    if start.later.any():
        later = d.order >= c.order[start.later].min()
    miss = (
        d.reading_s
        + 0.5 * d.resolution_s
        - d.since_greatest_s
        - start.offset_s
        - start.step_s * later
    )
    room = CONSENSUS_S + DIRECT_DRIFT * np.abs(d.since_greatest_s) / 3600.0
    agrees = np.abs(miss) < room
    return (d.of(agrees) if agrees.any() else None), agrees


def _first_guess(model: Model, voters: Mask) -> Floats:
    """Return parameters at the consensus, with the angle that turns the sky onto the voters."""
    p = np.zeros(5)
    dx, dy = model.crescents.dx[voters], model.crescents.dy[voters]
    miss_x, miss_y = model.miss_px(p)[voters].T
    turned = (dx + 1j * dy) * np.conj(dx - miss_x + 1j * (dy - miss_y))
    # Unit vectors: no frame of something else outweighs the others by its size.
    turned = turned / np.maximum(np.abs(turned), 1e-12)
    side = -1.0 if model.mirrored else 1.0
    guesses = np.zeros((12, 5))
    guesses[:, UP] = side * np.degrees(np.angle(turned.sum())) + np.arange(0.0, 360.0, 30.0)
    miss = np.hypot(*np.moveaxis(model.miss_px(guesses)[:, voters], -1, 0))
    return np.asarray(guesses[int(np.argmin(np.median(miss, axis=1)))])


def _used(model: Model, p: Floats) -> Mask:
    miss = np.hypot(*model.miss_px(p).T)
    return np.asarray(model.inside(p) & (miss < MISS_SIGMA * model.sigma_px(p)))


def _free(model: Model, used: Mask) -> Mask:
    """Return which parameters the frames used can tell: a step needs frames on both its sides."""
    free = np.ones(5, bool)
    free[STEP] = bool((used & model.later).any() and (used & ~model.later).any())
    return free


def _solve(model: Model, start: Floats) -> tuple[float, Floats]:
    """Return the cost and the parameters of the robust fit."""
    p = start
    d = model.direct
    direct_sigma = np.zeros(0) if d is None else np.hypot(d.sigma_s, d.coarseness_s)
    sigma = model.sigma_px(p)
    for width in LOSS_WIDTHS:
        inside = model.inside(p)
        miss, vectors, direct, instants = model.linearised(p)
        miss, direct = miss / sigma[:, None], direct / direct_sigma
        weight = np.where(inside, _weight(np.sum(miss**2, axis=1), width), 0.0)
        weight_direct = _weight(direct**2, width)
        free = _free(model, weight > 0.01)
        vectors = (vectors / sigma[:, None, None]).reshape(-1, 5)
        instants = instants / direct_sigma[:, None]
        twice = np.repeat(weight, 2)
        normal = vectors.T @ (twice[:, None] * vectors)
        normal += instants.T @ (weight_direct[:, None] * instants)
        right = -vectors.T @ (twice * miss.ravel()) - instants.T @ (weight_direct * direct)
        normal[SCALE, SCALE] += 1.0 / model.scale_sigma**2
        right[SCALE] -= float(model.scale_miss(p)) / model.scale_sigma
        normal += np.diag(1.0 / PRIOR**2)
        right -= (p - [0.0, 0.0, 0.0, p[UP], 0.0]) / PRIOR**2
        move = np.zeros(5)
        move[free] = inverse(normal[np.ix_(free, free)]) @ right[free]
        move = np.clip(move, -FURTHEST, FURTHEST)
        p = p + move
        if width == LOSS_SIGMA and (np.abs(move) < SETTLED).all():
            break
    return _cost(model, p), p


def _weight(square: Floats, width: float) -> Floats:
    return np.asarray(1.0 / (1.0 + square / width**2) ** 2)


def _cost(model: Model, p: Floats) -> float:
    """Return the chi-square in which no frame counts more than the square of the loss's width."""
    square = np.sum((model.miss_px(p) / model.sigma_px(p)[:, None]) ** 2, axis=1)
    square = np.where(model.inside(p), square, np.inf)
    total = np.sum(1.0 / (1.0 / np.maximum(square, 1e-12) + 1.0 / LOSS_SIGMA**2))
    d = model.direct
    if d is not None:
        square = (model.direct_miss_s(p) / np.hypot(d.sigma_s, d.coarseness_s)) ** 2
        total += np.sum(1.0 / (1.0 / np.maximum(square, 1e-12) + 1.0 / LOSS_SIGMA**2))
    return float(total + model.scale_miss(p) ** 2 + (p[DRIFT] / DRIFT_PRIOR) ** 2)


def _settled(cost: float, p: Floats, model: Model) -> tuple[float, Floats, Model]:
    """Return the fit with the step that its frames support: the consensus', another or none."""
    if not model.later.any():
        return _with_step(cost, p, model)
    used = _used(model, p)
    if min((used & model.later).sum(), (used & ~model.later).sum()) >= LEAST_FRAMES:
        return cost, p, model
    # One side of it was frames of something else.
    base = model.base_s if (used & ~model.later).any() else model.base_s + model.jump_s
    plain = replace(
        model, later=np.zeros(used.size, bool), base_s=base, jump_s=0.0, sized=model.sized & used
    )
    if not plain.sized.any():
        plain = replace(plain, sized=model.sized)
    p = np.where(np.arange(5) == STEP, 0.0, p)
    return _with_step(*_solve(plain, p), plain)


def _with_step(cost: float, p: Floats, model: Model) -> tuple[float, Floats, Model]:
    """Return the fit with the clock set once in between, if that explains much more.

    The best place is found in the linearised problem, in which a step is one more column.
    """
    c, d = model.crescents, model.direct
    sigma = model.sigma_px(p)
    speed = np.hypot(*model.velocity_px_s(p).T)
    near = model.inside(p)
    miss, vectors, direct, instants = model.linearised(p)
    near &= np.hypot(*miss.T) < 2 * CONSENSUS_S * speed + MISS_SIGMA * sigma
    orders = np.unique(c.order[near])
    if orders.size < 8:
        return cost, p, model
    miss = (miss / sigma[:, None])[near].ravel()
    design = (vectors / sigma[:, None, None])[near].reshape(-1, 5)
    order = np.repeat(c.order[near], 2)
    if d is not None:
        spread = np.hypot(d.sigma_s, d.coarseness_s)
        miss = np.append(miss, direct / spread)
        design = np.append(design, instants / spread[:, None], axis=0)
        order = np.append(order, d.order)
    prior = np.diag(1.0 / PRIOR)
    prior[SCALE, SCALE] = 1.0 / model.scale_sigma
    known = np.array([0.0, p[DRIFT] / DRIFT_PRIOR, float(model.scale_miss(p)), 0.0, 0.0])

    def chi2(later: Mask) -> float:
        columns = design.copy()
        columns[:, STEP] = np.where(later, design[:, OFFSET], 0.0)
        return _clipped_chi2(np.append(columns, prior, axis=0), np.append(miss, known))

    plain = chi2(np.zeros(order.size, bool))
    best, boundary = min((chi2(order >= b), float(b)) for b in orders[3:-2])
    if plain - best < STEP_GAIN:
        return cost, p, model
    stepped = replace(model, later=c.order >= boundary)
    new_cost, q = _solve(stepped, p)
    used = _used(stepped, q)
    sides = min((used & stepped.later).sum(), (used & ~stepped.later).sum())
    if abs(q[STEP]) < STEP_LEAST_S or sides < LEAST_FRAMES or new_cost > cost:
        return cost, p, model
    return new_cost, q, stepped


def _clipped_chi2(design: Floats, miss: Floats) -> float:
    """Return the chi-square of a linear fit in which no residual counts more than 5 sigma."""
    weight = np.ones(miss.size)
    left = miss
    for _ in range(6):
        weighted = design * weight[:, None]
        solution = -inverse(weighted.T @ weighted) @ (weighted.T @ (miss * weight))
        left = miss + design @ solution
        weight = 1.0 / np.sqrt(1.0 + (left / 3.0) ** 2)
    return float(np.sum(np.minimum(left**2, 25.0)))


def _finish(cost: float, p: Floats, model: Model, used: Mask, direct_used: Mask) -> CrescentFit:
    """Return the posterior around the least-squares solution, and who was left out."""
    c = model.crescents
    free = _free(model, used)
    if not free[STEP]:
        model = replace(model, later=np.zeros(used.size, bool), jump_s=0.0)
    mean, covariance = posterior(model, p, used, free)
    p = np.where(free, 0.0, p)
    p[free] = mean
    errors = np.full(5, np.nan)
    errors[free] = np.sqrt(np.diag(covariance))
    miss, velocity = model.miss_px(p), model.velocity_px_s(p)
    # A clock that reads late by dt shows the Moon where it was dt before: project on its motion.
    late = -np.sum(miss * velocity, axis=1) / np.sum(velocity**2, axis=1)
    inside = model.inside(p)
    scale = model.scale0 * float(np.exp(p[SCALE]))
    step = None
    if free[STEP]:
        step = Step(
            float(model.jump_s + p[STEP]),
            float(errors[STEP]),
            float(c.order[~model.later].max()),
            float(c.order[model.later].min()),
        )
    return CrescentFit(
        cost=cost,
        offset_s=float(model.base_s + p[OFFSET]),
        offset_sigma_s=float(errors[OFFSET]),
        drift_s_per_hour=float(p[DRIFT]),
        drift_sigma_s_per_hour=float(errors[DRIFT]),
        covariance=covariance,
        orientation=Orientation(scale, float(p[UP] % 360.0), model.mirrored),
        scale_sigma_arcsec=float(scale * errors[SCALE]),
        up_sigma_deg=float(errors[UP]),
        rotates=model.rotates,
        step=step,
        residual_s=np.where(inside, late, np.nan),
        used=used & inside,
        inside=inside,
        direct_used=direct_used,
    )


def _spread(fit: CrescentFit, valid: Mask, n: int) -> CrescentFit:
    """Return the fit with its arrays one a frame, those without a measurement among them."""
    residual, used, inside = np.full(n, np.nan), np.zeros(n, bool), np.zeros(n, bool)
    residual[valid], used[valid], inside[valid] = fit.residual_s, fit.used, fit.inside
    return replace(fit, residual_s=residual, used=used, inside=inside)
