"""Clock, plate scale and orientation of a camera from the crescents it photographed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from limbward.camera.evidence import Crescents, Direct
from limbward.camera.posterior import log_box_normal, sample_posterior, two_boxes_normal
from limbward.sky.orientation import Orientation
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A frame whose separation disagrees by more than this with an offset is no vote for it; the drift
# of a bad clock over a session stays well below it.
CONSENSUS_S = 30.0
# The disc's size in pixels ties the plate scale, and with it the drift: a scale off by 1e-4
# shifts times by 1e-4 of their distance from greatest eclipse, 0.36 s an hour. Where the limb of a
# blurred, darkened disc lies is known to about this much, pixels, and alike in all frames.
RADIUS_SYSTEMATIC_PX = 0.03
DRIFT_PRIOR = 20.0  # s/h (sigma); quartz clocks drift by under 1 s/h, bad ones by a few
OUTLIER_SHARE = 0.005  # of frames, even among those that fit
MISS_SIGMA = 6.0  # a frame this far from the solution is not used
STEP_GAIN = 30.0  # drop of chi-square that a clock set during the session must bring
STEP_LEAST_S = 1.0
SEED = 20260812  # draws of the posterior; the same evidence gives the same result

# Parameters: offset (s), drift (s/h), logarithm of the scale over its start, up angle (deg), step
# (s) for the frames after it.
OFFSET, DRIFT, SCALE, UP, STEP = range(5)


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

    ``residual_s`` is how late the clock read, also in frames that were not ``used``.
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


@dataclass(frozen=True)
class _Model:
    """The geometry that a set of parameters predicts."""

    track: SkyTrack
    crescents: Crescents
    direct: Direct | None
    scale0: float
    mirrored: bool
    rotates: bool
    later: Mask  # frames after the step

    def start_s(self, p: Floats) -> Floats:
        """Return true UTC at the middle of each reading's interval, at the start of exposure."""
        reading = self.crescents.reading_s + 0.5 * self.crescents.resolution_s
        return np.asarray((reading - p[OFFSET] - p[STEP] * self.later) / (1.0 + p[DRIFT] / 3600.0))

    def middle_s(self, p: Floats) -> Floats:
        t = self.start_s(p) + 0.5 * self.crescents.exposure_s
        return np.clip(t, self.track.first_s, self.track.last_s)

    def to_pixels(self, p: Floats, t: Floats, sky: Floats) -> Floats:
        """Return vectors (N, 2) on the sky as the camera shows them, pixels."""
        turn = np.zeros(t.shape)
        if self.rotates:
            turn = self.track.parallactic_angle(t) - self.track.parallactic_angle(np.zeros(1))
        u = np.radians(p[UP] + turn)
        scale = self.scale0 * np.exp(p[SCALE])
        east, north = sky.T
        side = 1.0 if self.mirrored else -1.0
        left = (east * np.cos(u) - north * np.sin(u)) / scale
        up = (east * np.sin(u) + north * np.cos(u)) / scale
        return np.stack([side * left, -up], axis=-1)

    def miss_px(self, p: Floats) -> Floats:
        """Return measured less predicted vectors, (N, 2)."""
        t = self.middle_s(p)
        predicted = self.to_pixels(p, t, self.track.offset_arcsec(t))
        return np.stack([self.crescents.dx, self.crescents.dy], axis=-1) - predicted

    def velocity_px_s(self, p: Floats) -> Floats:
        """Return the Moon's velocity against the Sun, (N, 2)."""
        t = self.middle_s(p)
        sky = (self.track.offset_arcsec(t + 1.0) - self.track.offset_arcsec(t - 1.0)) / 2.0
        return self.to_pixels(p, t, sky)

    def scale_miss(self, p: Floats) -> float:
        """Return how far the discs' sizes put the scale from ``p``, in sigmas."""
        c = self.crescents
        t = self.middle_s(p)
        ratio = np.log(c.sun_radius_px * self.scale0 / self.track.sun_radius_arcsec(t)) + p[SCALE]
        # The median over frames, so that no bad disc pulls the scale.
        return float(np.median(ratio) / self.scale_sigma())

    def scale_sigma(self) -> float:
        """Return the relative standard error of the scale by the discs' sizes."""
        c = self.crescents
        by_frames = 1.0 / np.sum((c.sun_radius_px / c.sun_radius_sigma_px) ** 2)
        systematic = RADIUS_SYSTEMATIC_PX / float(np.median(c.sun_radius_px))
        return float(np.sqrt(by_frames + systematic**2))

    def direct_miss_s(self, p: Floats) -> Floats:
        """Return reading less clock for instants known directly, seconds."""
        assert self.direct is not None
        d = self.direct
        clock = d.utc_s + p[OFFSET] + p[STEP] * self._direct_later() + p[DRIFT] * d.utc_s / 3600.0
        return np.asarray(d.reading_s + 0.5 * d.resolution_s - clock)

    def _direct_later(self) -> Mask:
        assert self.direct is not None
        if not self.later.any():
            return np.zeros(self.direct.reading_s.size, bool)
        return np.asarray(self.direct.order >= self.crescents.order[self.later].min())


def fit_crescents(
    track: SkyTrack,
    crescents: Crescents,
    direct: Direct | None,
    rotates: bool | None,
    relief_arcsec: float = 0.0,
) -> CrescentFit | None:
    """Fit a camera's clock, scale and orientation.

    Parameters
    ----------
    track : SkyTrack
    crescents : Crescents
        At least three.
    direct : Direct or None
        Instants known otherwise, which join the fit.
    rotates : bool or None
        Whether the field turns with the zenith; None tries both.
    relief_arcsec : float
        Error of the Moon's centre by the mountains on its limb. They are the same in all frames,
        so that N frames do not average them away: each counts as if it had sqrt(N) times this.

    Returns
    -------
    CrescentFit or None
        None if fewer than three crescents, or fewer than three in ten, fit one clock.

    Notes
    -----
    The start comes from the separations alone, which need no orientation: each fits two instants,
    before and after greatest eclipse, and the offset that most frames share wins. Weighted
    non-linear least squares with a robust loss over both components of every vector follow, with
    the reading's coarseness as a normal error along the Moon's path; then the posterior with the
    coarseness as the interval that it is.
    """
    start = _consensus(track, crescents)
    if start is None:
        return None
    scale0 = float(np.median(track.sun_radius_arcsec(np.zeros(1)) / crescents.sun_radius_px))
    relief_px = relief_arcsec / scale0 * np.sqrt(crescents.sigma_px.size)
    crescents = replace(crescents, sigma_px=np.hypot(crescents.sigma_px, relief_px))
    best: tuple[float, _Model, Floats] | None = None
    for mirrored in (False, True):
        for turning in (False, True) if rotates is None else (rotates,):
            model = _Model(track, crescents, direct, scale0, mirrored, turning, start.later)
            cost, p = _least_squares(model, _first_guess(model, start))
            if best is None or cost < best[0]:
                best = (cost, model, p)
    assert best is not None
    cost, model, p = best
    if not start.later.any():
        cost, model, p = _with_step(cost, model, p)
    used = np.hypot(*model.miss_px(p).T) < MISS_SIGMA * _sigmas(model, p)
    if used.sum() < max(3, 0.3 * used.size):
        return None
    return _finish(cost, model, p, used)


@dataclass(frozen=True)
class _Consensus:
    offset_s: float
    step_s: float
    later: Mask


def _consensus(track: SkyTrack, c: Crescents) -> _Consensus | None:
    """Return the offset most crescents agree on by separation, and a second one if they split."""
    t = np.arange(track.first_s, track.last_s, 2.0)
    separation = np.hypot(*track.offset_arcsec(t).T)
    middle = int(np.argmin(separation))
    scale = np.median(track.sun_radius_arcsec(np.zeros(1)) / c.sun_radius_px)
    seen = np.hypot(c.dx, c.dy) * scale
    reading = c.reading_s + 0.5 * c.resolution_s + 0.5 * c.exposure_s
    before = reading - np.interp(seen, separation[middle::-1], t[middle::-1])
    after = reading - np.interp(seen, separation[middle:], t[middle:])

    def vote(among: Mask) -> tuple[float, Mask]:
        candidates = np.concatenate([before[among], after[among]])
        near_before = np.abs(before - candidates[:, None]) < CONSENSUS_S
        near_after = np.abs(after - candidates[:, None]) < CONSENSUS_S
        agree = (near_before | near_after) & among
        votes = agree.sum(axis=1)
        # Several candidates may have all votes: the one nearest to its voters is the best start.
        miss = np.minimum(np.abs(before - candidates[:, None]), np.abs(after - candidates[:, None]))
        spread = np.where(agree, miss, 0.0).sum(axis=1) / np.maximum(votes, 1)
        k = int(np.lexsort((spread, -votes))[0])
        return float(candidates[k]), agree[k]

    everyone = np.ones(reading.size, bool)
    offset, voters = vote(everyone)
    if voters.sum() < max(3, 0.3 * reading.size):
        return None
    none = np.zeros(reading.size, bool)
    left = everyone & ~voters
    if left.sum() >= 3:
        second, others = vote(left)
        first_order, second_order = c.order[voters], c.order[others]
        if others.sum() >= max(3, 0.6 * left.sum()):
            if first_order.max() < second_order.min():
                return _Consensus(offset, second - offset, c.order >= second_order.min())
            if second_order.max() < first_order.min():
                return _Consensus(second, offset - second, c.order >= first_order.min())
    return _Consensus(offset, 0.0, none)


def _first_guess(model: _Model, start: _Consensus) -> Floats:
    """Return parameters near the solution: the up angle is the best of twelve."""
    guesses = [
        np.array([start.offset_s, 0.0, 0.0, up, start.step_s]) for up in np.arange(0.0, 360.0, 30.0)
    ]
    costs = [np.sum(np.minimum(np.hypot(*model.miss_px(p).T), 1e4)) for p in guesses]
    return guesses[int(np.argmin(costs))]


def _sigmas(model: _Model, p: Floats) -> Floats:
    """Return each vector's standard error with the reading's coarseness in it, pixels.

    The coarseness acts along the Moon's path; used for both components it makes least squares a
    little too careful across the path, where it decides only scale and orientation.
    """
    speed = np.hypot(*model.velocity_px_s(p).T)
    along = speed * model.crescents.resolution_s / np.sqrt(12.0)
    return np.asarray(np.hypot(model.crescents.sigma_px, along))


def _residuals(model: _Model, p: Floats, sigma: Floats) -> Floats:
    parts = [
        (model.miss_px(p) / sigma[:, None]).ravel(),
        np.array([model.scale_miss(p), p[DRIFT] / DRIFT_PRIOR]),
    ]
    if model.direct is not None and model.direct.reading_s.size:
        d = model.direct
        parts.append(model.direct_miss_s(p) / np.sqrt(d.sigma_s**2 + d.coarseness_s**2))
    return np.concatenate(parts)


def _least_squares(model: _Model, start: Floats) -> tuple[float, Floats]:
    """Return the cost and the parameters of the robust fit."""
    sigma = _sigmas(model, start)
    free = 5 if model.later.any() else 4

    def residuals(q: Floats) -> Floats:
        return _residuals(model, np.append(q, start[free:]), sigma)

    scales = np.array([1.0, 1.0, 1e-3, 0.1, 1.0])[:free]
    fit = least_squares(residuals, start[:free], loss="soft_l1", f_scale=3.0, x_scale=scales)
    return float(fit.cost), np.append(fit.x, start[free:])


def _with_step(cost: float, model: _Model, p: Floats) -> tuple[float, _Model, Floats]:
    """Return the fit with the clock set once in between, if that explains much more.

    The best place is found in the linearised problem, in which a step is one more column.
    """
    c = model.crescents
    n = c.reading_s.size
    if n < 8:
        return cost, model, p
    sigma = _sigmas(model, p)
    r0 = _residuals(model, p, sigma)
    columns = [_derivative(model, p, k, sigma) for k in range(4)]
    offset_column = columns[OFFSET]
    orders = np.sort(c.order)
    plain = _clipped_cost(np.stack(columns, axis=1), r0)
    found = []
    for boundary in orders[3:-2]:
        later = c.order >= boundary
        rows = np.zeros(r0.size, bool)
        rows[: 2 * n] = np.repeat(later, 2)
        if model.direct is not None and model.direct.reading_s.size:
            rows[-model.direct.reading_s.size :] = model.direct.order >= boundary
        design = np.stack([*columns, np.where(rows, offset_column, 0.0)], axis=1)
        found.append((_clipped_cost(design, r0), boundary))
    best_cost, boundary = min(found)
    if plain - best_cost < STEP_GAIN:
        return cost, model, p
    stepped = replace(model, later=c.order >= boundary)
    new_cost, q = _least_squares(stepped, p)
    if abs(q[STEP]) < STEP_LEAST_S:
        return cost, model, p
    return new_cost, stepped, q


def _derivative(model: _Model, p: Floats, k: int, sigma: Floats) -> Floats:
    """Return the derivative of the residuals with respect to parameter ``k``."""
    step = np.zeros(5)
    step[k] = (0.5, 0.1, 1e-5, 1e-2, 0.5)[k]
    difference = _residuals(model, p + step, sigma) - _residuals(model, p - step, sigma)
    return np.asarray(difference / (2 * step[k]))


def _clipped_cost(design: Floats, r0: Floats) -> float:
    """Return the chi-square of a linear fit in which no residual counts more than 5 sigma."""
    weight = np.ones(r0.size)
    left = r0
    for _ in range(6):
        solution = np.linalg.lstsq(design * weight[:, None], -r0 * weight, rcond=None)[0]
        left = r0 + design @ solution
        weight = 1.0 / np.sqrt(1.0 + (left / 3.0) ** 2)
    return float(np.sum(np.minimum(left**2, 25.0)))


def _finish(cost: float, model: _Model, p: Floats, used: Mask) -> CrescentFit:
    """Return the posterior around the least-squares solution, and who was left out."""
    c = model.crescents
    sigma = _sigmas(model, p)
    free = 5 if model.later.any() else 4
    mean, covariance = _posterior(model, p, sigma, used, free)
    p = np.append(mean, p[free:])
    errors = np.sqrt(np.diag(covariance))
    miss, velocity = model.miss_px(p), model.velocity_px_s(p)
    # A clock that reads late by dt shows the Moon where it was dt before: project on its motion.
    late = -np.sum(miss * velocity, axis=1) / np.sum(velocity**2, axis=1)
    scale = model.scale0 * float(np.exp(p[SCALE]))
    step = None
    if model.later.any():
        step = Step(
            float(p[STEP]),
            float(errors[STEP]),
            float(c.order[~model.later].max()),
            float(c.order[model.later].min()),
        )
    return CrescentFit(
        cost=cost,
        offset_s=float(p[OFFSET]),
        offset_sigma_s=float(errors[OFFSET]),
        drift_s_per_hour=float(p[DRIFT]),
        drift_sigma_s_per_hour=float(errors[DRIFT]),
        covariance=covariance,
        orientation=Orientation(scale, float(p[UP] % 360.0), model.mirrored),
        scale_sigma_arcsec=float(scale * errors[SCALE]),
        up_sigma_deg=float(errors[UP]),
        rotates=model.rotates,
        step=step,
        residual_s=late,
        used=used,
    )


def _posterior(
    model: _Model, p: Floats, sigma: Floats, used: Mask, free: int
) -> tuple[Floats, Floats]:
    """Return mean and covariance of the parameters, each reading taken as an interval.

    The vectors are linear in the parameters over the few sigmas that matter. Across the Moon's
    path an error is normal; along it, uniform plus normal.
    """
    c, d = model.crescents, model.direct
    jacobian = np.stack(
        [_derivative(model, p, k, np.ones(sigma.size)) for k in range(free)], axis=1
    )
    n = c.reading_s.size
    velocity = model.velocity_px_s(p)
    speed = np.hypot(*velocity.T)
    along = velocity / speed[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    miss = model.miss_px(p)
    vectors = jacobian[: 2 * n].reshape(n, 2, free)
    # What scatter the fit leaves beyond the stated errors (clouds, a soft limb) widens them.
    left = np.sum(miss * across, axis=1)[used] / c.sigma_px[used]
    wide = c.sigma_px * max(1.0, 1.4826 * float(np.median(np.abs(left))))
    a0, x0 = np.sum(miss * along, axis=1), np.sum(miss * across, axis=1)
    a1 = np.einsum("ni,nik->nk", along, vectors)
    x1 = np.einsum("ni,nik->nk", across, vectors)
    half = 0.5 * speed * c.resolution_s
    size0, size1 = model.scale_miss(p), 1.0 / model.scale_sigma()
    broad = np.log(OUTLIER_SHARE) - np.log(2 * np.pi * 400.0 * wide**2)

    def log_density(points: Floats) -> Floats:
        delta = points - p[:free]
        a, x = a0 + delta @ a1.T, x0 + delta @ x1.T
        each = log_box_normal(a, half, wide) - 0.5 * (x / wide) ** 2
        each -= 0.5 * np.log(2 * np.pi) + np.log(wide)
        total = np.sum(np.logaddexp(each, broad)[:, used], axis=1)
        total -= 0.5 * (size0 + delta[:, SCALE] * size1) ** 2
        total -= 0.5 * (points[:, DRIFT] / DRIFT_PRIOR) ** 2
        if d is not None and d.reading_s.size:
            total += np.sum(_log_direct(model, d, points), axis=1)
        return np.asarray(total)

    j = np.concatenate(
        [(a1 / np.hypot(wide, half / np.sqrt(3.0))[:, None])[used], (x1 / wide[:, None])[used]]
    )
    information = j.T @ j
    information[SCALE, SCALE] += size1**2
    information[DRIFT, DRIFT] += 1.0 / DRIFT_PRIOR**2
    mean, covariance, _ = sample_posterior(
        log_density, p[:free], np.linalg.inv(information), np.random.default_rng(SEED)
    )
    return mean, covariance


def log_direct(d: Direct, miss_s: Floats) -> Floats:
    """Return the log-density of reading less clock, shape (..., M), for instants known directly."""
    halves = 0.5 * d.resolution_s, 0.5 * d.utc_resolution_s
    density = two_boxes_normal(miss_s, *halves, d.sigma_s)
    return np.asarray(np.log(density + OUTLIER_SHARE / 3600.0))


def _log_direct(model: _Model, d: Direct, points: Floats) -> Floats:
    """Return the log-densities (S, M) of directly known instants."""
    padded = np.column_stack([points, np.zeros((points.shape[0], 5 - points.shape[1]))])
    miss = np.array([model.direct_miss_s(p) for p in padded])
    return log_direct(d, miss)
