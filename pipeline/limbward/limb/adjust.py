"""One adjustment of all frames of totality: limbs, the ephemeris, and pairs seen on the corona."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from limbward.geometry.orientation import Orientation
from limbward.limb.alike import Alike, alike_errors
from limbward.normal_matrix import inverse

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

ROUNDS = 12
OUTLIER_SIGMA = 5.0
UNKNOWN_UP_SIGMA = 1e3  # degrees; an orientation that nothing tells is free
UNKNOWN_TIME_SIGMA = 1e5  # s; a day
FURTHEST_S = 600.0  # that the times may go in one round: the Moon's path is straight over so long


@dataclass(frozen=True)
class Limbs:
    """Measured Moons of N frames and what the ephemeris says of them.

    ``offset_arcsec`` (N, 2) is the Moon's place from the Sun's, east and north, and
    ``velocity_arcsec_s`` (N, 2) its change, at the frames' times; ``turn_deg`` how far the field
    has turned since the orientation's instant. ``sigma`` is in pixels. ``level`` is the
    same for frames whose exposures are alike: their limbs are off alike, see `limbward.limb.alike`.
    Without it, each is off by itself.
    """

    x: Floats
    y: Floats
    sigma: Floats
    offset_arcsec: Floats
    velocity_arcsec_s: Floats
    turn_deg: Floats
    level: NDArray[np.int64] | None = None

    def of_suns(self, rows: Mask) -> Limbs:
        """Return the same with some of the Moons, shape (N,), being Suns: nothing offsets them."""
        still = ~rows[:, None]
        return replace(
            self,
            offset_arcsec=self.offset_arcsec * still,
            velocity_arcsec_s=self.velocity_arcsec_s * still,
        )


@dataclass(frozen=True)
class Pairs:
    """Pairs of frames registered on the corona: Sun of ``first`` less Sun of ``second``, pixels."""

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    dx: Floats
    dy: Floats
    sigma: Floats


@dataclass(frozen=True)
class Adjustment:
    """What fits all of it.

    Attributes
    ----------
    x, y, sigma : ndarray, shape (N,)
        Sun centres and their standard errors, pixels. The error that is common to all frames
        (the Moon's mean place, the clock) is in it. NaN in frames that neither have a measured
        limb nor are tied by pairs to one that has: nothing tells where they are.
    relative : ndarray, shape (N,)
        Standard errors of how the Suns lie to each other: against the mean of the frames that the
        corona ties together; of the limbs used, where it ties none.
    moon_x, moon_y : ndarray, shape (N,)
        Moon centres that go with them.
    up_position_angle, up_sigma_deg : float
    limb_miss_px : ndarray, shape (N,)
        Distance of each limb from where the adjustment puts the Moon.
    limb_used, pair_used : ndarray of bool
        False where an observation disagrees with the others.
    held_by_pairs : ndarray of bool, shape (N,)
        Whether the frame is tied to others by the corona.
    """

    x: Floats
    y: Floats
    sigma: Floats
    relative: Floats
    moon_x: Floats
    moon_y: Floats
    up_position_angle: float
    up_sigma_deg: float
    limb_miss_px: Floats
    limb_used: Mask
    pair_used: Mask
    held_by_pairs: Mask


def adjust(
    limbs: Limbs,
    pairs: Pairs,
    orientation: Orientation,
    *,
    up_sigma_deg: float,
    time_sigma_s: float,
) -> Adjustment:
    """Solve for the Sun's centre in every frame.

    Parameters
    ----------
    limbs : Limbs
    pairs : Pairs
        May be empty.
    orientation : Orientation
        Its ``up_position_angle`` is a start where nothing is known of it.
    up_sigma_deg : float
        How well it is known; large where it is not.
    time_sigma_s : float
        How well the clock is known: an error common to all frames.

    Returns
    -------
    Adjustment

    Notes
    -----
    Unknown are two coordinates a frame, the orientation's angle and one shift of all times. A limb
    says where the Sun is up to the Moon's offset, which turns with the angle and moves with the
    time; a pair says how two Suns lie to each other. The Moon moves across the corona by tens of
    pixels, so that pairs and limbs together also fix the angle where no partial phase was seen.
    Iterated, with weights that fall off for what disagrees (P. J. Huber, Ann. Math. Stat. 35
    (1964) 73).
    """
    n = limbs.x.size
    limbs, measured = usable_limbs(limbs)
    pairs, seen = usable_pairs(pairs)
    fit = _fitted(limbs, pairs, orientation, measured, seen, up_sigma_deg, time_sigma_s)
    pair_used = seen & (fit.pair_miss < OUTLIER_SIGMA * pairs.sigma)
    limb_used = measured & (fit.limb_miss < OUTLIER_SIGMA * limbs.sigma)
    relative = np.full(n, np.nan)
    if fit.told.any():
        core = core_of(pairs, pair_used, n) & fit.told
        core = core if core.any() else (limb_used if limb_used.any() else fit.told)
        both = [relative_sigma(fit.covariance[a : a + n, a : a + n], core) for a in (0, n)]
        relative[fit.told] = (np.hypot(*both) / np.sqrt(2.0))[fit.told]
    tied = np.isin(np.arange(n), [pairs.first[pair_used], pairs.second[pair_used]])
    variances = np.diag(fit.covariance)
    sigma = np.sqrt(0.5 * (variances[:n] + variances[n : 2 * n]))
    return Adjustment(
        fit.x, fit.y, np.where(fit.told, sigma, np.nan), relative,
        fit.x + fit.moon_dx, fit.y + fit.moon_dy,
        fit.up % 360.0, float(np.sqrt(variances[2 * n])),
        np.where(measured, fit.limb_miss, np.nan),
        limb_used, pair_used, tied,
    )  # fmt: skip


class _Fit(NamedTuple):
    """Suns (N,), NaN where nothing has told of them, the Moons' offsets, and how far each is off.

    ``covariance`` (2N + 2 + 2L, 2N + 2 + 2L) is of the Suns in x, in y, the angle (degrees), the
    time (s) and what limbs of like exposure are off by, in x and in y; 0 of what nothing tells.
    """

    x: Floats
    y: Floats
    moon_dx: Floats
    moon_dy: Floats
    up: float
    told: Mask
    covariance: Floats
    limb_miss: Floats
    pair_miss: Floats


def _fitted(
    limbs: Limbs,
    pairs: Pairs,
    orientation: Orientation,
    measured: Mask,
    seen: Mask,
    up_sigma_deg: float,
    time_sigma_s: float,
) -> _Fit:
    """Return what fits usable limbs and pairs, in rounds from the orientation as it is."""
    n = limbs.x.size
    alike = alike_errors(limbs.sigma, limbs.level, measured)
    common = alike.prior.size
    up, shift = orientation.up_position_angle, 0.0
    limb_weight, pair_weight = measured.astype(float), seen.astype(float)
    held = np.append(np.tile(_told(measured, pairs, seen), 2), np.ones(2 + 2 * common, bool))
    # Beyond these limits what is known is nothing, or all.
    up_sigma_deg = float(np.clip(np.nan_to_num(up_sigma_deg, nan=np.inf), 1e-6, UNKNOWN_UP_SIGMA))
    time_sigma_s = float(np.clip(np.nan_to_num(time_sigma_s, nan=np.inf), 1e-6, UNKNOWN_TIME_SIGMA))
    known = [1.0 / up_sigma_deg, 1.0 / time_sigma_s, *np.tile(1.0 / alike.prior, 2)]
    for turn in range(ROUNDS):
        design, right = _equations(limbs, pairs, orientation, up, shift, alike)
        limb_root, pair_root = np.sqrt(limb_weight) / alike.own, np.sqrt(pair_weight) / pairs.sigma
        root = np.concatenate([limb_root, limb_root, pair_root, pair_root, known])
        at = right.size - len(known)
        right[at : at + 2] = orientation.up_position_angle - up, -shift
        design, right = design * root[:, None], right * root
        normal = design.T @ design
        solution = np.full(held.size, np.nan)
        covariance = inverse(normal[np.ix_(held, held)])
        solution[held] = covariance @ (design[:, held].T @ right)
        x, y = solution[:n], solution[n : 2 * n]
        # A start far off is approached in steps over which the Moon's arc is nearly straight.
        up += float(np.clip(solution[2 * n], -20.0, 20.0))
        shift += float(np.clip(solution[2 * n + 1], -FURTHEST_S, FURTHEST_S))
        ox, oy = offset_px(limbs, orientation, up, shift)
        off_x, off_y = (alike.of_frames(part) for part in solution[2 * n + 2 :].reshape(2, common))
        limb_miss = np.hypot(limbs.x - ox - x - off_x, limbs.y - oy - y - off_y)
        missed = pair_miss(pairs, x, y)
        limb_weight = np.where(measured, _huber(limb_miss / alike.own), 0.0)
        pair_weight = np.where(seen, _huber(missed / pairs.sigma), 0.0)
        if turn > 3 and np.all(np.abs(solution[2 * n : 2 * n + 2]) < 1e-5):
            break
    whole = np.zeros((held.size, held.size))
    whole[np.ix_(held, held)] = covariance
    return _Fit(x, y, ox, oy, up, held[:n], whole, limb_miss, missed)


def usable_limbs(limbs: Limbs) -> tuple[Limbs, Mask]:
    """Return the limbs without what is not measured, and which are."""
    measured = np.isfinite(limbs.x + limbs.y + limbs.sigma) & (limbs.sigma > 0)
    measured &= np.isfinite(limbs.offset_arcsec + limbs.velocity_arcsec_s).all(axis=1)
    return _without(limbs, ~measured), measured


def usable_pairs(pairs: Pairs) -> tuple[Pairs, Mask]:
    """Return the pairs, zeros and an error of 1 where they cannot be used, and which can."""
    seen = np.isfinite(pairs.dx + pairs.dy + pairs.sigma) & (pairs.sigma > 0)
    seen &= pairs.first != pairs.second
    dx, dy = np.where(seen, pairs.dx, 0.0), np.where(seen, pairs.dy, 0.0)
    return Pairs(pairs.first, pairs.second, dx, dy, np.where(seen, pairs.sigma, 1.0)), seen


def pair_miss(pairs: Pairs, x: Floats, y: Floats) -> Floats:
    """Return how far pairs are from the Suns' places, pixels."""
    return np.hypot(
        x[pairs.first] - x[pairs.second] - pairs.dx,
        y[pairs.first] - y[pairs.second] - pairs.dy,
    )


def _without(limbs: Limbs, missing: Mask) -> Limbs:
    """Return the limbs with zeros, and an error of 1, for those that are not measured."""

    def none(values: Floats) -> Floats:
        return np.where(missing, 0.0, values)

    return Limbs(
        none(limbs.x),
        none(limbs.y),
        np.where(missing, 1.0, limbs.sigma),
        np.where(missing[:, None], 0.0, limbs.offset_arcsec),
        np.where(missing[:, None], 0.0, limbs.velocity_arcsec_s),
        np.where(np.isfinite(limbs.turn_deg), limbs.turn_deg, 0.0),
        limbs.level,
    )


def _told(measured: Mask, pairs: Pairs, seen: Mask) -> Mask:
    """Return which frames have a measured limb or are tied to one by pairs, directly or not."""
    n = measured.size
    links = (np.ones(int(seen.sum())), (pairs.first[seen], pairs.second[seen]))
    _, group = connected_components(coo_array(links, shape=(n, n)), directed=False)
    return np.asarray(np.isin(group, group[measured]))


def core_of(pairs: Pairs, used: Mask, n: int) -> Mask:
    """Return the largest set of N frames that used pairs tie together; none if nothing is tied."""
    links = (np.ones(int(used.sum())), (pairs.first[used], pairs.second[used]))
    _, group = connected_components(coo_array(links, shape=(n, n)), directed=False)
    size = np.bincount(group)
    if size.max(initial=0) < 2:
        return np.zeros(n, bool)
    return np.asarray(group == np.argmax(size))


def relative_sigma(covariance: Floats, core: Mask) -> Floats:
    """Return the standard errors of N values against their mean over ``core``.

    Parameters
    ----------
    covariance : ndarray, shape (N, N)
    core : ndarray of bool, shape (N,)

    Examples
    --------
    An error that all share is none:

    >>> import numpy as np
    >>> shared = 4.0 + np.diag([0.0, 0.0, 1.0])
    >>> relative_sigma(shared, np.array([True, True, False])).tolist()
    [0.0, 0.0, 1.0]
    """
    mean = core / core.sum()
    own = np.diag(covariance) - 2.0 * (covariance @ mean) + mean @ covariance @ mean
    return np.asarray(np.sqrt(np.maximum(own, 0.0)))


def _equations(
    limbs: Limbs, pairs: Pairs, orientation: Orientation, up: float, shift: float, alike: Alike
) -> tuple[Floats, Floats]:
    """Return design and right side of the linear equations at ``up`` and ``shift``.

    Rows: limbs in x, in y; pairs in x, in y; what is known of angle, time and the L errors that
    limbs of like exposure share, in x, in y. Columns: Suns in x, in y; corrections of angle
    (degrees) and time (s); those errors.
    """
    n, k, common = limbs.x.size, pairs.first.size, alike.prior.size
    ox, oy = offset_px(limbs, orientation, up, shift)
    more, less = (offset_px(limbs, orientation, up + d, shift) for d in (0.5, -0.5))
    later = offset_px(limbs, orientation, up, shift + 1.0)
    known = 2 + 2 * common
    design = np.zeros((2 * n + 2 * k + known, 2 * n + known))
    frames, rows = np.arange(n), 2 * n + np.arange(k)
    for axis, offset in enumerate((ox, oy)):
        at = axis * n
        design[at + frames, at + frames] = 1.0
        design[at + frames, 2 * n] = more[axis] - less[axis]
        design[at + frames, 2 * n + 1] = later[axis] - offset
        shares = np.flatnonzero(alike.of >= 0)
        design[at + shares, 2 * n + 2 + axis * common + alike.of[shares]] = 1.0
        design[rows + axis * k, at + pairs.first] = 1.0
        design[rows + axis * k, at + pairs.second] = -1.0
    design[-known:, -known:] = np.eye(known)
    limb_x, limb_y = np.nan_to_num(limbs.x - ox), np.nan_to_num(limbs.y - oy)
    right = np.concatenate([limb_x, limb_y, pairs.dx, pairs.dy, np.zeros(known)])
    return design, right


def _huber(miss_sigma: Floats) -> Floats:
    """Return weights: 1 within 2 sigma, then falling as the square of the distance."""
    miss = np.nan_to_num(np.asarray(miss_sigma), nan=np.inf)
    return np.asarray(np.where(miss < 2.0, 1.0, (2.0 / np.maximum(miss, 2.0)) ** 2))


def offset_px(
    limbs: Limbs, orientation: Orientation, up: float, shift_s: float
) -> tuple[Floats, Floats]:
    """Return the Moon's offset from the Sun in each frame, pixels."""
    sky = limbs.offset_arcsec + shift_s * limbs.velocity_arcsec_s
    base = Orientation(orientation.pixel_scale_arcsec, 0.0, orientation.mirrored)
    u = np.radians(up + np.nan_to_num(limbs.turn_deg))
    # Turning the camera by u turns the sky the other way.
    east = sky[:, 0] * np.cos(u) - sky[:, 1] * np.sin(u)
    north = sky[:, 0] * np.sin(u) + sky[:, 1] * np.cos(u)
    return base.to_pixels(east, north)


def choose_pairs(
    time_s: Floats,
    exposure_s: Floats,
    *,
    partners: int = 4,
    beside: int = 2,
    reach: int = 14,
    stops: float = 4.2,
) -> list[tuple[int, int]]:
    """Return which frames to compare with which.

    Parameters
    ----------
    time_s, exposure_s : ndarray, shape (N,)
    partners : int
        Later frames each frame is compared with, those of nearest exposure first.
    beside : int
        The very next frames it is compared with, too: in a bracket frames of like exposure are
        seconds apart, in which cloud drifts on.
    reach : int
        How many frames later a partner may be.
    stops : float
        Exposures further apart have no well exposed part of the corona in common.
    """
    order = np.argsort(time_s, kind="stable")
    pairs = []
    for k, i in enumerate(order):
        later = order[k + 1 : k + 1 + reach]
        apart = np.abs(np.log2(exposure_s[later] / exposure_s[i]))
        near = np.argsort(apart, kind="stable")[:partners]
        comparable = np.flatnonzero(apart <= stops)
        chosen = dict.fromkeys([*near[apart[near] <= stops], *comparable[:beside]])
        pairs += [(int(i), int(later[m])) for m in chosen]
    return pairs
