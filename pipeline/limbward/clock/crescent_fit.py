"""Clock, plate scale and orientation of a camera from the crescents it photographed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.consensus import CONSENSUS_S, LEAST_FRAMES, consensus, enough
from limbward.clock.crescent_model import (
    DRIFT,
    DRIFT_PRIOR,
    EAST,
    NORTH,
    OFFSET,
    PIECES,
    SCALE,
    SITE,
    UP,
    Model,
)
from limbward.clock.crescent_pieces import SETTING_COST, contradiction, in_pieces
from limbward.clock.crescent_posterior import posterior
from limbward.clock.crescent_result import CrescentFit, Place, Step
from limbward.clock.crescent_solve import (
    LOSS_SIGMA,
    free_parameters,
    late_s,
    site_of,
    solve,
    used_frames,
)
from limbward.clock.direct_choice import choices
from limbward.clock.evidence import Crescents, Direct, TotalityEvidence
from limbward.clock.path_fit import PathFit, fit_path, scale_by_sizes, with_relief
from limbward.clock.pieces import STOPPED, find_pieces
from limbward.geometry.orientation import Orientation
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Counts = NDArray[np.int64]

RIVAL_CHI2 = 25.0  # a second clock that fits worse by more than this is out
APART_SIGMA = 3.0  # of both together, by which two clocks differ that are two
DIRECT_DRIFT = DRIFT_PRIOR / 2.0  # s/h, by which instants known directly may differ from crescents
PULL_SIGMA = 2.0  # by which instants that are right may pull the clock of the crescents
DIRECT_OUT = 40.0  # chi-square of an instant that is of no clock near the crescents'
BESIDE_SIGMA = 5.0  # a crescent further beside the Moon's path tells no time of its own
STRAIGHT_S = 600.0
SITE_REACH_S = 200.0  # by which crescents may be late or early if the site may be wrong
MOVED_KM = 3.0  # a site found further off than this is the place of a new track


@dataclass(frozen=True)
class _Start:
    """Where a fit begins: a clock in pieces, and what is known of the camera besides."""

    offset_s: float
    jump_s: Floats
    piece: Counts
    voters: Mask
    path: PathFit | None = None
    drift: float = 0.0


def fit_crescents(
    track: SkyTrack,
    crescents: Crescents,
    direct: Direct | None,
    rotates: bool | None,
    relief_arcsec: float = 0.0,
    doubt: Doubt | None = None,
    covered: TotalityEvidence | None = None,
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
        Error of the Moon's centre by the mountains on its limb; see `with_relief`.
    doubt : Doubt, optional
        What is not known of site and air; without it, both are exact.
    covered : TotalityEvidence, optional
        When the photosphere was covered, for choosing between clocks with one setting more or less.

    Returns
    -------
    list of CrescentFit
        The best first, then other clocks that fit nearly as well. Empty if fewer than three
        crescents, or fewer than three in ten, fit one clock.

    Notes
    -----
    There are two kinds of start: the offset that most separations share (`consensus`), which needs
    no order of taking, and the pieces that the clock falls into if each crescent is dated by its
    own place on the Moon's path (`path_fit`, `pieces`), which needs no clock. Gauss-Newton steps
    follow, with the loss of S. Geman and D. E. McClure (Bull. Int. Stat. Inst. 52 (1987) 5), beyond
    which a frame counts for nothing, narrowed round by round (graduated non-convexity: A. Blake, A.
    Zisserman, *Visual Reconstruction*, MIT Press 1987); all that is solved for is relative to the
    start and has a prior. The reading's coarseness is a normal error along the Moon's path in it;
    in the posterior that follows it is the interval that it is.
    """
    valid = crescents.valid()
    if valid.sum() < LEAST_FRAMES:
        return []
    c = crescents.of(valid)
    scale0 = scale_by_sizes(track, c)
    c = with_relief(c, scale0, relief_arcsec)
    turnings = (False, True) if rotates is None else (rotates,)
    found: list[tuple[float, CrescentFit]] = []
    for start in _starts(track, c, doubt, scale0, rotates):
        for each in _fits_from(track, c, direct, doubt, scale0, turnings, start, covered):
            found.append(each)
    if not found:
        return []
    best = min(total for total, _ in found)
    near = sorted((each for each in found if each[0] - best < RIVAL_CHI2), key=lambda each: each[0])
    distinct: list[CrescentFit] = []
    for _, fit in near:  # two starts may end in one clock
        if all(_differ(fit, other) for other in distinct):
            distinct.append(_spread(fit, valid, crescents.order.size))
    return distinct


def _differ(a: CrescentFit, b: CrescentFit) -> bool:
    return abs(a.offset_s - b.offset_s) > APART_SIGMA * np.hypot(a.offset_sigma_s, b.offset_sigma_s)


def _starts(
    track: SkyTrack, c: Crescents, doubt: Doubt | None, scale0: float, rotates: bool | None
) -> list[_Start]:
    """Return where fits begin."""
    found = [
        _Start(s.offset_s, np.full(int(s.later.any()), s.step_s), s.later.astype(int), s.voters)
        for s in consensus(track, c)
    ]
    paths = fit_path(track, c, doubt, scale0, rotates)
    return found + [start for path in paths if (start := _on_path(c, path)) is not None]


def _on_path(c: Crescents, path: PathFit) -> _Start | None:
    """Return where a fit begins by a path; None if its clock would not run."""
    on = path.on_path
    late = c.reading_s + 0.5 * c.resolution_s + 0.5 * c.exposure_s - path.t_s
    sigma = np.hypot(path.sigma_s, c.resolution_s / np.sqrt(12.0)) + 0.1
    clock = find_pieces(late[on], sigma[on], path.t_s[on], c.order[on])
    voters = on.copy()
    voters[on] = clock.fits
    if clock.drift < STOPPED or not voters.any():
        return None
    # Frames beside the path belong to the piece in which they were taken.
    begins = [c.order[on][clock.piece == k].min() for k in range(1, clock.offset_s.size)]
    piece = np.searchsorted(np.array(begins), c.order, side="right")
    first = float(clock.offset_s[0])
    return _Start(first, clock.offset_s[1:] - first, piece, voters, path, clock.drift)


def _fits_from(
    track: SkyTrack,
    c: Crescents,
    direct: Direct | None,
    doubt: Doubt | None,
    scale0: float,
    turnings: tuple[bool, ...],
    start: _Start,
    covered: TotalityEvidence | None,
) -> list[tuple[float, CrescentFit]]:
    """Return the fits from one start, with what they cost, for each choice of known instants."""
    close = _close(direct, c, start, CONSENSUS_S if doubt is None else SITE_REACH_S)
    tries = []
    ways = [(start.path.mirrored, start.path.rotates)] if start.path is not None else []
    for mirrored, turning in ways or [(m, t) for m in (False, True) for t in turnings]:
        model = Model(
            track, c, _some(direct, close), doubt, scale0, mirrored, turning, start.piece,
            start.offset_s, start.jump_s, start.voters, np.hypot(DRIFT_PRIOR, start.drift),
        )  # fmt: skip
        tries.append((*solve(model, _first_guess(model, start)), model))
    total, p, model = min(tries, key=lambda t: t[0])
    found = []
    for chosen in choices(direct, close):
        fitted, q, used_model = total, p, replace(model, direct=_some(direct, chosen))
        if chosen.sum() != close.sum():
            fitted, q = solve(used_model, p)
        fitted, q, used_model, pulled = in_pieces(fitted, q, used_model, covered)
        fitted, q, used_model = _moved(fitted, q, used_model)
        used = used_frames(used_model, q)
        if not enough(int(used.sum()), used.size):
            continue
        fitted += LOSS_SIGMA**2 * float((close & ~chosen).sum()) + DIRECT_OUT * float(
            (~close).sum()
        )
        fitted += SETTING_COST * used_model.jump_s.size + contradiction(covered, used_model, q)
        joined = chosen.copy()
        if chosen.any():
            d = used_model.direct
            assert d is not None
            miss = np.abs(used_model.direct_miss_s(q))
            joined[chosen] = miss < LOSS_SIGMA * np.hypot(d.sigma_s, d.coarseness_s)
        found.append((fitted, _finish(fitted, q, used_model, used, joined, pulled)))
    alone = [fit for _, fit in found if not fit.direct_used.any()]
    return [(f, _beside(fit, alone[-1]) if alone else fit) for f, fit in found]


def _beside(fit: CrescentFit, alone: CrescentFit) -> CrescentFit:
    """Return a fit with what crescents alone say of its clock.

    If the instants that joined are right, the two fits differ by what the one knows better.
    """
    apart = np.array([fit.offset_s - alone.offset_s, fit.drift_s_per_hour - alone.drift_s_per_hour])
    due = np.maximum(np.diag(alone.covariance - fit.covariance), 0.0)
    pulled = np.maximum(apart**2 - PULL_SIGMA**2 * due, 0.0)
    return replace(fit, alone_s=alone.offset_s, pulled=fit.pulled + pulled)


def _moved(total: float, p: Floats, model: Model) -> tuple[float, Floats, Model]:
    """Return the fit with the track of the site that it found, if that is far from the stated."""
    for _ in range(2):
        if model.doubt is None:
            break
        away = p[SITE] - model.doubt.centre_km
        if not MOVED_KM < np.hypot(*away) < 2000.0:
            break
        track, doubt = model.doubt.moved(float(p[NORTH]), float(p[EAST]))
        model = replace(model, track=track, doubt=doubt)
        total, p = solve(model, p)
    return total, p, model


def _some(direct: Direct | None, chosen: Mask) -> Direct | None:
    return direct.of(chosen) if direct is not None and chosen.any() else None


def _late(d: Direct, c: Crescents, start: _Start) -> Floats:
    """Return how late instants known directly make the clock of a start, seconds."""
    begins = [c.order[start.piece == k + 1].min() for k in range(start.jump_s.size)]
    piece = np.searchsorted(np.array(begins), d.order, side="right")
    clock = start.offset_s + np.append(0.0, start.jump_s)[piece]
    drift = start.drift * d.since_greatest_s / 3600.0
    return np.asarray(d.reading_s + 0.5 * d.resolution_s - d.since_greatest_s - clock - drift)


def _close(d: Direct | None, c: Crescents, start: _Start, reach_s: float) -> Mask:
    """Return which instants known directly can be of the clock that crescents agree on."""
    if d is None:
        return np.zeros(0, bool)
    room = reach_s + DIRECT_DRIFT * np.abs(d.since_greatest_s) / 3600.0
    return np.asarray(np.abs(_late(d, c, start)) < room)


def _first_guess(model: Model, start: _Start) -> Floats:
    """Return parameters at the start, with the angle that turns the sky onto the voters."""
    p = np.zeros(model.parameters)
    if start.path is not None:
        p[DRIFT], p[UP], p[SCALE] = start.drift, start.path.up_deg, start.path.log_scale
        if model.doubt is not None:
            p[SITE] = start.path.site_km
        return p
    voters = start.voters
    dx, dy = model.crescents.dx[voters], model.crescents.dy[voters]
    miss_x, miss_y = model.miss_px(p)[voters].T
    turned = (dx + 1j * dy) * np.conj(dx - miss_x + 1j * (dy - miss_y))
    # Unit vectors: no frame of something else outweighs the others by its size.
    turned = turned / np.maximum(np.abs(turned), 1e-12)
    side = -1.0 if model.mirrored else 1.0
    guesses = np.zeros((12, model.parameters))
    guesses[:, UP] = side * np.degrees(np.angle(turned.sum())) + np.arange(0.0, 360.0, 30.0)
    miss = np.hypot(*np.moveaxis(model.miss_px(guesses)[:, voters], -1, 0))
    return np.asarray(guesses[int(np.argmin(np.median(miss, axis=1)))])


def _finish(
    total: float, p: Floats, model: Model, used: Mask, direct_used: Mask, pulled: Floats
) -> CrescentFit:
    """Return the posterior around the least-squares solution, and who was left out."""
    free = free_parameters(model, used)
    site_km, worse = site_of(model, p)
    p, covariance = posterior(model, p, used, free, site_km)
    errors = np.sqrt(np.diag(covariance))
    late, speed_px_s = late_s(model, p)
    inside = model.inside(p)
    scale = model.scale0 * float(np.exp(p[SCALE]))
    place = None
    if model.doubt is not None:
        place = Place(float(p[NORTH]), float(p[EAST]), covariance[SITE, SITE], worse)
    return CrescentFit(
        cost=total,
        offset_s=float(model.base_s + p[OFFSET]),
        offset_sigma_s=float(errors[OFFSET]),
        drift_s_per_hour=float(p[DRIFT]),
        drift_sigma_s_per_hour=float(errors[DRIFT]),
        covariance=covariance[:2, :2],
        orientation=Orientation(scale, float(p[UP] % 360.0), model.mirrored),
        scale_sigma_arcsec=float(scale * errors[SCALE]),
        up_sigma_deg=float(errors[UP]),
        rotates=model.rotates,
        steps=_steps(model, p, covariance, used),
        residual_s=np.where(inside, late, np.nan),
        used=used & inside,
        inside=inside,
        own_s=_own(model, p, late),
        own_sigma_s=model.sigma_px(p) / speed_px_s,
        direct_used=direct_used,
        place=place,
        alone_s=float(model.base_s + p[OFFSET]),
        pulled=pulled,
    )


def _own(model: Model, p: Floats, late: Floats) -> Floats:
    """Return the begin of each exposure by its own crescent; NaN where that is beside the path."""
    miss, velocity = model.miss_px(p), model.velocity_px_s(p)
    speed = np.maximum(np.hypot(*velocity.T), 1e-12)
    across = np.abs(miss[:, 0] * velocity[:, 1] - miss[:, 1] * velocity[:, 0]) / speed
    begun = model.unclipped_s(p) - 0.5 * model.crescents.exposure_s - late
    on = model.inside(p) & (across < BESIDE_SIGMA * model.crescents.sigma_px)
    # The projection is along a straight line; frames far off by their clock lie on a bent one.
    return np.where(on & (np.abs(late) < STRAIGHT_S), begun, np.nan)


def _steps(model: Model, p: Floats, covariance: Floats, used: Mask) -> tuple[Step, ...]:
    """Return the settings of the clock between its pieces."""
    order = model.crescents.order
    offset = np.append(0.0, model.jump_s + p[PIECES:])
    among = np.pad(covariance[PIECES:, PIECES:], ((1, 0), (1, 0)))
    found = []
    for k in range(1, offset.size):
        variance = among[k, k] + among[k - 1, k - 1] - 2.0 * among[k, k - 1]
        to_clock = np.zeros((2, p.size))
        to_clock[0, [OFFSET, PIECES + k - 1]] = to_clock[1, DRIFT] = 1.0
        found.append(
            Step(
                float(offset[k] - offset[k - 1]),
                float(np.sqrt(max(variance, 1e-12))),
                float(order[used & (model.piece == k - 1)].max()),
                float(order[used & (model.piece == k)].min()),
                to_clock @ covariance @ to_clock.T,
            )
        )
    return tuple(found)


def _spread(fit: CrescentFit, valid: Mask, n: int) -> CrescentFit:
    """Return the fit with its arrays one a frame, those without a measurement among them."""
    residual, used, inside = np.full(n, np.nan), np.zeros(n, bool), np.zeros(n, bool)
    residual[valid], used[valid], inside[valid] = fit.residual_s, fit.used, fit.inside
    own, own_sigma = np.full(n, np.nan), np.full(n, np.nan)
    own[valid], own_sigma[valid] = fit.own_s, fit.own_sigma_s
    return replace(
        fit, residual_s=residual, used=used, inside=inside, own_s=own, own_sigma_s=own_sigma
    )
