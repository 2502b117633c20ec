"""When crescents were taken by their place on the Moon's path, whatever the clock says."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.consensus import LEAST_FRAMES, LEAST_SHARE, OUTSIDE
from limbward.clock.evidence import Crescents
from limbward.normal_matrix import inverse
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

# Chi-square; one camera in thirty is behind a star diagonal (common practice, no source). Near the
# central line a mirrored path differs from the true one by little.
MIRRORED_COST = 7.0

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Complexes = NDArray[np.complex128]

UP, SCALE, TURN, NORTH, EAST, LEAN_NORTH, LEAN_EAST = range(7)
SITE, LEAN = slice(NORTH, LEAN_NORTH), slice(LEAN_NORTH, None)
LEAN_DEG = 2.0  # how far from level a head may stand
# Prior: degrees, relative, degrees/h, km, degrees.
START = np.array([180.0, 0.003, 0.2, 300.0, 300.0, LEAN_DEG, LEAN_DEG])
STEPS = np.array([0.01, 1e-5, 0.01, 0.1, 0.1, 0.01, 0.01])
WIDTHS = (*(5.0 * 2.0**k for k in range(6, 0, -1)), *(5.0,) * 12)  # of the loss, sigmas
FURTHEST = np.array([10.0, 1e-3, 0.2, 60.0, 60.0, 1.0, 1.0])
NEAR_SIGMA = 6.0  # a frame further from the path is not on it
TURNING_ARCSEC = 60.0  # a rise or fall of the separation counts for no more than this
RIVAL_CHI2 = 25.0  # a path of the other mirroring that fits worse by more is out
LEAST_MOTION = 0.6  # of the rises and falls, that must go the way of an eclipse


def mirrored_cost(mirrored: bool) -> float:
    """Return what a picture costs by being mirrored or not, chi-square: the prior of all fits."""
    return MIRRORED_COST if mirrored else 0.0


def scale_by_sizes(track: SkyTrack, c: Crescents) -> float:
    """Return the plate scale that the sizes of the Sun's discs tell, arcsec a pixel."""
    return float(np.median(track.sun_radius_arcsec(np.zeros(1)) / c.sun_radius_px))


def with_relief(c: Crescents, scale0: float, relief_arcsec: float) -> Crescents:
    """Return crescents whose errors hold what mountains on the Moon's limb move its centre by.

    They are the same in all frames, so that N frames do not average them away: each counts as if it
    had sqrt(N) times this.
    """
    relief_px = relief_arcsec / scale0 * np.sqrt(c.sigma_px.size)
    return replace(c, sigma_px=np.hypot(c.sigma_px, relief_px))


@dataclass(frozen=True)
class PathFit:
    """Where N crescents lie on the Moon's path.

    Attributes
    ----------
    cost : float
        Chi-square across the path, bounded for frames that are not on it.
    t_s, sigma_s : ndarray
        Middle of each exposure from the epoch, and its standard error by the frame alone.
    on_path : ndarray of bool
    up_deg, log_scale : float
        Orientation, and logarithm of the scale over the sizes'.
    site_km : tuple of float
        How far north and east of the stated place the path asks the camera to be.
    mirrored, rotates : bool
    lean_deg : tuple of float
        How far north and east the vertical axis of the head leans.
    """

    cost: float
    t_s: Floats
    sigma_s: Floats
    on_path: Mask
    up_deg: float
    log_scale: float
    site_km: tuple[float, float]
    mirrored: bool
    rotates: bool
    lean_deg: tuple[float, float] = (0.0, 0.0)


def fit_path(
    track: SkyTrack,
    c: Crescents,
    doubt: Doubt | None,
    scale0: float,
    rotates: bool | None,
    *,
    leans: bool = False,
) -> list[PathFit]:
    """Fit orientation and scale by where crescents lie on the Moon's path.

    Parameters
    ----------
    track : SkyTrack
    c : Crescents
        Finite.
    doubt : Doubt or None
        With it, the path may lie aside by an error of the site.
    scale0 : float
        Arcsec a pixel by the discs' sizes.
    rotates : bool or None
        Whether the field turns with the zenith; None tries both.
    leans : bool
        Whether the zenith with which it turns is that of a head that may not be level.

    Returns
    -------
    list of PathFit
        The best first, then that of the other mirroring if it fits nearly as well: if the site may
        be wrong, only the times can decide between them. Empty if too few frames lie on a path, or
        the order in which they were taken is not that of an eclipse.

    Notes
    -----
    The separation falls, then rises; the order of taking tells which frame is on which side. So
    each frame has a time by its separation, and the angle between its vector and the Moon's path
    there is the camera's. Then the distance from the path is made small, each frame's time left
    free, with a loss that narrows round by round.
    """
    sky = _Path(track, c, doubt, scale0, leans)
    start = times_by_separation(track, c, scale0)
    if start is None:
        return []
    turnings = (False, True) if rotates is None else (rotates,)
    enough = max(LEAST_FRAMES, LEAST_SHARE * c.order.size)

    def cost(fit: PathFit) -> float:
        return fit.cost + mirrored_cost(fit.mirrored)

    each = (
        min((sky.fit(start, mirrored, turning) for turning in turnings), key=cost)
        for mirrored in (False, True)
    )
    fits = sorted((fit for fit in each if fit.on_path.sum() >= enough), key=cost)
    return [fit for fit in fits if cost(fit) < cost(fits[0]) + RIVAL_CHI2]


def times_by_separation(
    track: SkyTrack, c: Crescents, scale0: float, *, nearest_rises: bool = False
) -> Floats | None:
    """Return each frame's time by its separation and the order of taking, or NaN.

    None if too few are eclipsed, or the order is not that of an eclipse. On which side of greatest
    eclipse the nearest frame is its order does not tell: with ``nearest_rises`` it is after it.
    """
    t = np.arange(track.first_s, track.last_s, 5.0)
    separation = np.hypot(*track.offset_arcsec(t).T)
    middle = int(np.argmin(separation))
    radii = track.sun_radius_arcsec(t) + track.moon_radius_arcsec(t)
    seen = np.hypot(c.dx, c.dy) * scale0
    eclipsed = seen < OUTSIDE * radii[middle]
    if eclipsed.sum() < LEAST_FRAMES:
        return None
    at = np.flatnonzero(eclipsed)[np.argsort(c.order[eclipsed], kind="stable")]
    if np.unique(c.order[at]).size < at.size:
        return None
    rise = np.clip(np.diff(seen[at]), -TURNING_ARCSEC, TURNING_ARCSEC)
    # Against the eclipse go rises before its middle and falls after it.
    against = np.append(0.0, np.cumsum(np.maximum(rise, 0.0)))
    against = against + np.append(np.cumsum(np.maximum(-rise, 0.0)[::-1])[::-1], 0.0)
    turn = int(np.argmin(against))
    if against[turn] > (1.0 - LEAST_MOTION) * np.abs(rise).sum():
        return None
    falls = turn if nearest_rises else turn + 1
    falling = np.maximum.accumulate(separation[middle::-1])
    rising = np.maximum.accumulate(separation[middle:])
    out = np.full(seen.size, np.nan)
    before, after = at[:falls], at[falls:]
    out[before] = np.interp(seen[before], falling, t[middle::-1])
    out[after] = np.interp(seen[after], rising, t[middle:])
    return out


@dataclass(frozen=True)
class _Path:
    track: SkyTrack
    c: Crescents
    doubt: Doubt | None
    scale0: float
    leans: bool

    def turned(self, q: Floats, t: Floats, mirrored: bool, rotates: bool) -> Complexes:
        """Return measured vectors on the sky, complex: north + i east, arcsec."""
        side = 1.0 if mirrored else -1.0
        left, up = side * self.c.dx, -self.c.dy
        angle = np.radians(q[UP] + q[TURN] * t / 3600.0)
        if rotates:
            north, east = q[LEAN]
            turn = self.track.leaning(north, east).turned(t) + self.c.turn_deg
            angle = angle + np.radians(turn)
        return np.asarray((up + 1j * left) * np.exp(1j * angle) * self.scale0 * np.exp(q[SCALE]))

    def moon(self, q: Floats, t: Floats) -> Complexes:
        """Return the Moon from the Sun, complex: north + i east, arcsec."""
        sky = self.track.offset_arcsec(t)
        if self.doubt is not None:
            sky = sky + self.doubt.shift_arcsec(t)[..., :2] @ q[SITE]
        return np.asarray(sky[..., 1] + 1j * sky[..., 0])

    def fit(self, start: Floats, mirrored: bool, rotates: bool) -> PathFit:
        q = np.zeros(START.size)
        seen = np.isfinite(start)
        t = np.where(seen, start, 0.0)
        ratio = self.moon(q, t) * np.conj(self.turned(q, t, mirrored, rotates))
        ratio = np.where(seen & (np.abs(ratio) > 0), ratio / np.maximum(np.abs(ratio), 1e-9), 0.0)
        q[UP] = np.degrees(np.angle(_middle(ratio[seen])))
        free = np.ones(q.size, bool)
        free[SITE] = self.doubt is not None
        free[LEAN] = self.leans and rotates
        free[TURN] = not free[LEAN].all()  # which stands for what is not modelled
        sigma = self.c.sigma_px * self.scale0
        for width in WIDTHS:
            across, along_s = self._miss(q, t, mirrored, rotates)
            t = np.clip(t + np.clip(along_s, -600, 600), self.track.first_s, self.track.last_s)
            across, _ = self._miss(q, t, mirrored, rotates)
            weight = np.where(seen, 1.0 / (1.0 + (across / sigma / width) ** 2) ** 2, 0.0)
            slope = np.zeros((t.size, q.size))
            for k in np.flatnonzero(free):
                step = np.eye(q.size)[k] * STEPS[k]
                up, _ = self._miss(q + step, t, mirrored, rotates)
                down, _ = self._miss(q - step, t, mirrored, rotates)
                slope[:, k] = (up - down) / (2 * STEPS[k])
            slope = (slope / sigma[:, None])[:, free]
            normal = slope.T @ (weight[:, None] * slope) + np.diag(1.0 / START[free] ** 2)
            right = -slope.T @ (weight * across / sigma)
            right -= np.where(np.arange(q.size) == UP, 0.0, q / START**2)[free]
            move = np.zeros(q.size)
            move[free] = inverse(normal) @ right
            q = q + np.clip(move, -FURTHEST, FURTHEST)
        across, along_s = self._miss(q, t, mirrored, rotates)
        square = np.where(seen, (across / sigma) ** 2, np.inf)
        # Whoever is on the wrong side of the Sun is as near to the path's line as he was right.
        square = np.where(np.abs(along_s) < 5.0, square, np.inf)
        capped = 1.0 / (1.0 / np.maximum(square, 1e-12) + 1.0 / 25.0)
        total = float(capped.sum() + (q[SCALE] / START[SCALE]) ** 2)
        total += float(np.sum((q[LEAN] / LEAN_DEG) ** 2))
        return PathFit(
            total, t, sigma / self._speed(q, t), square < NEAR_SIGMA**2, float(q[UP]),
            float(q[SCALE]), (float(q[NORTH]), float(q[EAST])), mirrored, rotates,
            (float(q[LEAN_NORTH]), float(q[LEAN_EAST])),
        )  # fmt: skip

    def _speed(self, q: Floats, t: Floats) -> Floats:
        return np.asarray(np.abs(self.moon(q, t + 1.0) - self.moon(q, t - 1.0)) / 2.0)

    def _miss(self, q: Floats, t: Floats, mirrored: bool, rotates: bool) -> tuple[Floats, Floats]:
        """Return how far vectors lie beside the path, arcsec, and ahead on it, seconds."""
        miss = self.turned(q, t, mirrored, rotates) - self.moon(q, t)
        motion = (self.moon(q, t + 1.0) - self.moon(q, t - 1.0)) / 2.0
        speed = np.maximum(np.abs(motion), 1e-9)
        turned = miss * np.conj(motion) / speed
        return np.asarray(turned.imag), np.asarray(turned.real / speed)


def _middle(directions: Complexes) -> complex:
    """Return the direction that most of some unit vectors lie near."""
    guess = np.exp(2j * np.pi * np.arange(36) / 36)
    apart = np.abs(np.angle(directions[None, :] * np.conj(guess[:, None])))
    best = guess[int(np.argmin(np.median(apart, axis=1)))]
    near = directions[np.abs(np.angle(directions * np.conj(best))) < np.pi / 3]
    return complex(near.sum()) if near.size else complex(best)
