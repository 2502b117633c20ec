"""Whether the Moon of some pictures has the limb that its relief predicts, and the Sun's size."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from limbward.geometry.orientation import Orientation
from limbward.limb.partial import Discs, Limbs, without_relief
from limbward.limb.refit import refit
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
LimbAt = Callable[[float], LimbProfile]  # by seconds from the epoch

# Waves around the Moon longer than 60 degrees are left out of the comparison: centre, radius and
# flattening make some. Heights half such a wave apart are independent.
LONG_WAVES, BLOCK_DEG = 6, 30.0
LEAST_POINTS, LEAST_BLOCKS = 40, 4
# Over which a picture's edge is the mean of the limb: the width of a sharp star.
BLUR_PX = 2.5
CIRCLE_PX = 0.005  # scatter of points that lie on a fitted circle and not on a limb
# Sigmas from what is ruled out, and from what is believed, where many stretches tell the sigma.
SURE, NEAR = 4.0, 3.0
# By which the amplitude may be off 1 for what smooths a limb in pictures, or off 0.
ROOM = 0.15
# That the Moon of a picture is the real one. Only a simulation can have another, or a picture in
# which something else was taken for the limb.
BELIEVED = 0.8
# Of the Sun's size: what filters and the eye of the camera make of its edge, 0.2 arcsec.
SIZE_SIGMA, WIDE_DEG = 2e-4, 100.0

Decision = Literal["real", "smooth", "undetermined", "given"]


@dataclass(frozen=True)
class LimbVerdict:
    """How far the predicted limb is found in pictures: ``amplitude`` is 1 if it is the real one.

    ``decision`` is ``real`` or ``smooth`` where that is sure, else ``undetermined``, and ``given``
    for a limb that a person gives. ``used`` is whether the limb is used: where it is undetermined,
    whether it is the likelier, and then ``doubt`` is the probability of the other, 1 if neither
    fits. ``pull_arcsec`` is how far the limb moves the Moon's centre in the pictures, rms. Numbers
    are NaN where there is nothing to compare.
    """

    decision: Decision
    amplitude: float = float("nan")
    sigma: float = float("nan")
    frames: int = 0
    pull_arcsec: float = float("nan")
    used: bool = True
    doubt: float = 0.0

    def weighed(self, worse: float) -> LimbVerdict:
        """Return the verdict with what crescents say of it where the limb's shape leaves it open.

        Parameters
        ----------
        worse : float
            By how much the crescents' chi-square is larger with the real limb than with a smooth
            one, at the same errors; NaN where it is not known.
        """
        if self.decision != "undetermined" or self.doubt == 1.0 or not np.isfinite(worse):
            return self
        real = 1.0 - self.doubt if self.used else self.doubt
        odds = real / (1.0 - real) * float(np.exp(np.clip(-0.5 * worse, -50.0, 50.0)))
        real = odds / (1.0 + odds)
        return replace(self, used=real >= 0.5, doubt=min(real, 1.0 - real))

    def sentence(self) -> str:
        """Return what was decided, in a sentence."""
        found = (
            f"the mountains of the Moon's limb are seen at {told(self.amplitude, self.sigma)} of "
            f"their predicted height in {self.frames} frames"
            if np.isfinite(self.sigma)
            else "too little of the Moon's limb is measured to compare it with the predicted one"
        )
        then = {
            "real": "crescents are dated with the Moon's real limb.",
            "smooth": "the Moon's limb in the pictures is not the real one, and crescents are "
            "dated with a smooth one.",
            "undetermined": "crescents are dated with the Moon's real limb, and the clock's error "
            "holds what that changes."
            if self.used
            else "crescents are dated with a smooth Moon, which is likelier, and the clock's error "
            "holds what the real limb would change.",
            "given": "crescents are dated with the limb profile that the config gives.",
        }[self.decision]
        return f"{found[0].upper()}{found[1:]}; {then}"


def told(amplitude: float, sigma: float) -> str:
    """Return how far the predicted limb is found, to two digits after the point or to three."""
    digits = 2 if sigma >= 0.01 else 3
    return f"{amplitude:.{digits}f} ± {sigma:.{digits}f}".replace("-", "−")


@dataclass(frozen=True)
class Aim:
    """How a camera was turned on the sky, for N frames at times ``t`` (N,) from the epoch.

    ``aside_deg`` (N,) is what each is turned beside the zenith, if the field turns with that, and
    ``roll_deg`` (N,) by how much a hand has rolled the camera.
    """

    track: SkyTrack
    orientation: Orientation
    rotates: bool
    t: Floats
    aside_deg: Floats | None = None
    roll_deg: Floats | None = None

    def at(self, i: int) -> tuple[Orientation, Floats]:
        """Return orientation and refraction in pixels (2, 2) of a frame."""
        t = np.clip(self.t[i : i + 1], self.track.first_s, self.track.last_s)
        turn = float(self.track.turned(t)[0])
        if self.aside_deg is not None:
            turn += float(self.aside_deg[i])
        roll = 0.0 if self.roll_deg is None else float(self.roll_deg[i])
        turned = self.orientation.turned((turn if self.rotates else 0.0) + roll)
        return turned, turned.in_pixels(self.track.refraction(t)[0])


@dataclass(frozen=True)
class Moons:
    """The Moon in N frames: rows, and circles x, y, radius, shape (N, 3), pixels."""

    rows: NDArray[np.int64]
    circles: Floats


def moons_of(discs: Discs) -> Moons:
    """Return the Moons of partial frames."""
    return Moons(discs.rows, np.stack([discs.moon_x, discs.moon_y, discs.moon_radius], axis=1))


def judged(moons: Moons, limbs: Limbs, aim: Aim, limb_at: LimbAt) -> LimbVerdict:
    """Compare the Moon's limb in frames with the predicted one.

    Parameters
    ----------
    moons : Moons
    limbs : callable
        Takes a row, returns the edge points of the Sun's limb and of the Moon's.
    aim : Aim
    limb_at : callable

    Notes
    -----
    Of each frame's edge points and of the predicted heights there the same long waves are taken;
    what is left of the one is fitted by that of the other. The Moon is the same in all frames, so
    that errors are those of stretches of limb, 30 degrees long, each with all frames together:
    K.-Y. Liang, S. L. Zeger, Biometrika 73 (1986) 13.
    """
    blocks = round(360.0 / BLOCK_DEG)
    products, squares, frames = np.zeros(blocks), np.zeros(blocks), 0
    for angle, seen, predicted in _compared(moons, limbs, aim, limb_at):
        block = (angle / BLOCK_DEG).astype(int) % blocks
        products += np.bincount(block, seen * predicted, blocks)
        squares += np.bincount(block, predicted**2, blocks)
        frames += 1
    told = squares > 0.02 * squares.max(initial=0.0)
    if told.sum() < LEAST_BLOCKS:
        return LimbVerdict("undetermined", frames=frames, doubt=1.0 - BELIEVED)
    amplitude = float(products.sum() / squares.sum())
    score = products - amplitude * squares
    k = float(told.sum())
    sigma = float(np.sqrt(np.sum(score**2) * k / (k - 2.0)) / squares.sum())
    decision, used, doubt = _decided(amplitude, sigma, k - 2.0)
    return LimbVerdict(decision, amplitude, sigma, frames, used=used, doubt=doubt)


def _decided(amplitude: float, sigma: float, freedom: float) -> tuple[Decision, bool, float]:
    """Return the decision, whether the limb is used, and how likely the other choice is.

    A ``sigma`` from few stretches is itself uncertain: with two degrees of freedom 4 sigmas are
    as sure as 125 of Student's t (Biometrika 6 (1908) 1).
    """
    sure, near = (stdtrit(freedom, ndtr(sigmas)) * sigma for sigmas in (SURE, NEAR))
    near += ROOM
    if abs(amplitude - 1.0) < near and amplitude > sure:
        return "real", True, 0.0
    if abs(amplitude) < near and 1.0 - amplitude > sure:
        return "smooth", False, 0.0
    if min(abs(amplitude), abs(amplitude - 1.0)) > near:
        return "undetermined", True, 1.0
    scale = freedom * (sigma**2 + ROOM**2)
    unlike = (scale + (amplitude - 1.0) ** 2) / (scale + amplitude**2)
    real = 1.0 / (1.0 + (1.0 / BELIEVED - 1.0) * float(unlike ** (0.5 * (freedom + 1.0))))
    return "undetermined", real >= 0.5, min(real, 1.0 - real)


def _compared(
    moons: Moons, limbs: Limbs, aim: Aim, limb_at: LimbAt
) -> Iterator[tuple[Floats, Floats, Floats]]:
    """Yield position angles, heights seen and heights predicted (arcsec) of each frame's limb."""
    for i, row in enumerate(moons.rows):
        points = limbs(int(row))[1]
        points = points[np.isfinite(points).all(axis=1)]
        if len(points) < LEAST_POINTS:
            continue
        orientation, refraction = aim.at(i)
        dx, dy = np.linalg.inv(refraction) @ (points[:, :2] - moons.circles[i, :2]).T
        east, north = orientation.to_sky(dx, dy)
        angle = np.degrees(np.arctan2(east, north)) % 360.0
        # On a short arc as many would remove the mountains too. A circle and its flattening are 2.
        orders = max(2, round(LONG_WAVES * _arc_deg(angle) / 360.0))
        turns = np.radians(angle)[:, None] * np.arange(1, orders + 1)
        waves = np.column_stack([np.ones(angle.size), np.cos(turns), np.sin(turns)])
        blur_deg = np.degrees(BLUR_PX / moons.circles[i, 2])
        predicted = limb_at(float(aim.t[i])).smoothed(blur_deg).height(angle)
        heights = np.column_stack([np.hypot(east, north), predicted])
        left = heights - waves @ np.linalg.lstsq(waves, heights, rcond=1e-6)[0]
        seen, predicted = left.T
        spread = 1.4826 * float(np.median(np.abs(seen)))
        if spread < CIRCLE_PX * orientation.pixel_scale_arcsec:
            continue
        keep = np.abs(seen) < 5.0 * spread
        yield angle[keep], seen[keep], predicted[keep]


def pulls(moons: Moons, limbs: Limbs, aim: Aim, limb_at: LimbAt) -> Floats:
    """Return what the limb's mountains and valleys add to circles fitted to it, pixels.

    Parameters
    ----------
    moons, limbs, aim, limb_at
        As for `judged`.

    Returns
    -------
    ndarray, shape (N, 3)
        Of x, y and radius; NaN where no edge points are kept.
    """
    found = np.full(moons.circles.shape, np.nan)
    for i, row in enumerate(moons.rows):
        points = limbs(int(row))[1]
        orientation, refraction = aim.at(i)
        x, y, radius = (float(v) for v in moons.circles[i])
        flat = without_relief(points, (x, y), orientation, limb_at(float(aim.t[i])))
        try:
            rough, smooth = (refit([p], [(x, y, radius)], refraction)[0] for p in (points, flat))
        except ValueError:
            continue
        found[i] = rough.x - smooth.x, rough.y - smooth.y, rough.radius - smooth.radius
    return found


def sun_size(discs: Discs, limbs: Limbs, aim: Aim, limb_at: LimbAt, expected: float = 1.0) -> float:
    """Return the Sun's size in the pictures, with the Moon's as the measure, over the track's.

    Parameters
    ----------
    discs, limbs, aim, limb_at
        As for `judged`, of partial frames.
    expected : float
        What it is without filters.
    """
    t = np.clip(aim.t, aim.track.first_s, aim.track.last_s)
    ratio = aim.track.sun_radius_arcsec(t) / aim.track.moon_radius_arcsec(t)
    sums = np.array([expected, 1.0]) / SIZE_SIGMA**2
    for i, row in enumerate(discs.rows):
        sun_limb, moon_limb = limbs(int(row))
        orientation, refraction = aim.at(i)
        centre = (float(discs.moon_x[i]), float(discs.moon_y[i]))
        dx, dy = (moon_limb[:, :2] - centre).T
        if _arc_deg(np.degrees(np.arctan2(dy, dx))) < WIDE_DEG:
            continue
        flat = without_relief(moon_limb, centre, orientation, limb_at(float(aim.t[i])))
        starts = [
            (discs.sun_x[i], discs.sun_y[i], discs.sun_radius[i]),
            (discs.moon_x[i], discs.moon_y[i], discs.moon_radius[i]),
        ]
        try:
            sun, moon = refit([sun_limb, flat], starts, refraction)
        except ValueError:
            continue
        # Along the arc's middle a radius and a centre are known alike.
        sigma = 2.0 * np.hypot(sun.sigma / sun.radius, moon.sigma / moon.radius)
        size = sun.radius / moon.radius / ratio[i]
        if abs(size / expected - 1.0) < 5.0 * float(np.hypot(sigma, SIZE_SIGMA)):
            sums += np.array([size, 1.0]) / max(float(sigma), 1e-5) ** 2
    return float(sums[0] / sums[1])


def _arc_deg(angle: Floats) -> float:
    """Return how many degrees of a limb points at some angles cover, counted by fives."""
    return 5.0 * np.unique((angle % 360.0 / 5.0).astype(int)).size
