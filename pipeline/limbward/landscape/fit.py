"""Lens, poses and clock of a session of wide frames, by least squares over all that is seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from limbward.landscape.crescent import light_left
from limbward.landscape.heavens import Heavens
from limbward.landscape.lens import Camera, Lens, Pose

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LIGHT = -1  # in place of a body's number: the middle of the Sun's light
# Distortion as cameras have it, in g squared: 2 % at the corner of a 24 mm lens is 0.025; fisheyes
# keep to their law within 1 or 2 %, and another law is 4 % off.
DISTORTION_SIGMA = {"rectilinear": 0.03}
FISHEYE_SIGMA = 0.012


@dataclass(frozen=True)
class Sights:
    """Places of bodies in frames; every array has shape (N,).

    ``frame`` numbers the frames, ``stand`` the tripod's places, ``body`` the bodies of `Heavens`
    (`LIGHT` for the middle of the Sun's light), ``clipped`` tells of an overexposed Sun; ``x``,
    ``y`` and ``sigma`` are in pixels, ``reading_s`` is the clock's at the middle of the exposure,
    in seconds from the epoch.
    """

    frame: Ints
    stand: Ints
    body: Ints
    clipped: NDArray[np.bool_]
    reading_s: Floats
    x: Floats
    y: Floats
    sigma: Floats

    def take(self, rows: NDArray[np.bool_] | Ints) -> Sights:
        """Return some of them."""
        return Sights(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


@dataclass(frozen=True)
class Priors:
    """What is known beforehand: focal length and its error, relative, and the clock's, seconds."""

    focal_px: float
    focal_sigma: float
    offset_s: float
    offset_sigma_s: float


@dataclass(frozen=True)
class Fit:
    """A session solved.

    Attributes
    ----------
    lens : Lens
    poses : list of Pose
        One for each place of the tripod.
    offset_s, offset_sigma_s : float
        The clock's reading minus UTC.
    cost : float
        Sum of squares, in errors; what was known beforehand is in it.
    residual_px : ndarray, shape (N, 2)
    """

    lens: Lens
    poses: list[Pose]
    offset_s: float
    offset_sigma_s: float
    cost: float
    residual_px: Floats

    def camera(self, stand: int) -> Camera:
        """Return lens and pose at a place of the tripod."""
        return Camera(self.lens, self.poses[stand])


def predicted(heavens: Heavens, sights: Sights, offset_s: float) -> Floats:
    """Return the directions (N, 3) of what is sighted, for a clock."""
    t = np.clip(sights.reading_s - offset_s, heavens.first_s, heavens.last_s)
    vector = np.empty((t.size, 3))
    for body in np.unique(sights.body[sights.body != LIGHT]):
        rows = sights.body == body
        vector[rows] = heavens.vector_of(int(body), t[rows])
    for clipped in (False, True):
        rows = (sights.body == LIGHT) & (sights.clipped == clipped)
        if rows.any():
            vector[rows] = light_left(heavens, t[rows], clipped=clipped).middle
    return vector


def solve(
    heavens: Heavens,
    sights: Sights,
    lens: Lens,
    poses: Sequence[Pose],
    priors: Priors,
    *,
    lens_free: bool = True,
) -> Fit:
    """Return the lens, poses and clock that fit best, from a start near them.

    Parameters
    ----------
    heavens : Heavens
    sights : Sights
    lens : Lens
        The start; its projection stays.
    poses : sequence of Pose
    priors : Priors
    lens_free : bool
        Whether focal length and distortion are fitted.

    Notes
    -----
    A loss that grows linearly beyond two errors keeps strays from drawing the fit.
    """
    bend_sigma = DISTORTION_SIGMA.get(lens.projection, FISHEYE_SIGMA)
    start_offset = priors.offset_s
    unit = 30.0  # seconds, so that all parameters are of like size

    def unpacked(p: Floats) -> tuple[Lens, list[Pose], float]:
        made = replace(
            lens,
            focal_px=lens.focal_px * float(np.exp(p[0])),
            distortion=lens.distortion + float(p[1]),
        )
        turned = [pose.turned(p[3 + 3 * k : 6 + 3 * k]) for k, pose in enumerate(poses)]
        return made, turned, start_offset + unit * float(p[2])

    def wrong_px(p: Floats) -> Floats:
        made, turned, offset = unpacked(p)
        vector = predicted(heavens, sights, offset)
        out = np.empty((sights.x.size, 2))
        for k, pose in enumerate(turned):
            rows = sights.stand == k
            out[rows] = Camera(made, pose).to_pixels(vector[rows])
        return np.nan_to_num(out, nan=1e4) - np.stack([sights.x, sights.y], axis=-1)

    def residuals(p: Floats) -> Floats:
        made, _, offset = unpacked(p)
        free = np.log(made.focal_px / priors.focal_px) / priors.focal_sigma
        prior = [free, made.distortion / bend_sigma]
        prior.append((offset - priors.offset_s) / priors.offset_sigma_s)
        return np.concatenate([_softened(wrong_px(p) / sights.sigma[:, None]).ravel(), prior])

    count = 3 + 3 * len(poses)
    free = np.ones(count, bool)
    free[:2] = lens_free

    def part(q: Floats) -> Floats:
        p = np.zeros(count)
        p[free] = q
        return residuals(p)

    found = least_squares(part, np.zeros(int(free.sum())), x_scale="jac", method="trf")
    p = np.zeros(count)
    p[free] = found.x
    made, turned, offset = unpacked(p)
    covariance = np.linalg.pinv(found.jac.T @ found.jac)
    spread = float(np.sqrt(max(covariance[int(free[:2].sum())][int(free[:2].sum())], 0.0)))
    return Fit(made, turned, offset, unit * spread, 2.0 * float(found.cost), wrong_px(p))


def _softened(r: Floats) -> Floats:
    """Return residuals (N, 2) whose squares grow linearly beyond two errors."""
    size = np.linalg.norm(r, axis=-1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        soft = np.sqrt(4.0 * size - 4.0) / size
    return np.where(size > 2.0, r * np.nan_to_num(soft, nan=1.0), r)
