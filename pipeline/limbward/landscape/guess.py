"""A first idea of lens and pose: by the Sun's drift, or by the pattern of planets and stars."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

from limbward.landscape.lens import PROJECTIONS, Camera, Lens, Pose

Floats = NDArray[np.float64]

DRIFT_DEG = 4.0  # of the Sun: more of it tells how the camera stands better than a pattern of stars
ROLL_STEP = 0.5  # degrees
FOCAL_TRIES = np.array([1.0, 0.96, 1.04, 0.92, 1.08])
REACH = 0.015  # of the distance from the Sun within which a point may be a body, beside 2 pixels
WEIGHT = {-9: 4.0, -3: 3.0, 0: 2.0, 1: 1.0}  # of a body by the least magnitude of its class
LOWEST_AXIS = -0.7  # sine of the axis' altitude: nobody photographs the ground
LEVEL_WEIGHT = 0.4  # of a level camera
LEVEL_DEG = 12.0


@dataclass(frozen=True)
class Guess:
    """A lens and a pose, and how well they do: higher is better."""

    camera: Camera
    score: float


def by_drift(
    sun_px: Floats, sun: Floats, focals: Sequence[float], centre: tuple[float, float]
) -> list[Guess]:
    """Return a guess for each projection, from the Sun's places in a fixed camera.

    Parameters
    ----------
    sun_px : ndarray, shape (N, 2)
    sun : ndarray, shape (N, 3)
        Its directions, east, north, up.
    focals : sequence of float
        Focal lengths to try, pixels.
    centre : tuple of float
        Of the frame.

    Notes
    -----
    The rotation between two sets of directions by singular values: W. Kabsch, Acta
    Crystallographica A 32 (1976) 922. Frames that do not fit are left out step by step.
    """
    found = []
    for projection in PROJECTIONS:
        best: Guess | None = None
        for focal in focals:
            lens = Lens(projection, focal, 0.0, centre)
            local = Camera(lens, Pose(np.eye(3))).to_sky(sun_px)
            if not np.isfinite(local).all():
                continue
            use = np.ones(len(local), bool)
            for _ in range(4):
                pose = Pose(_rotation(local[use], sun[use]))
                wrong = np.linalg.norm(Camera(lens, pose).to_pixels(sun) - sun_px, axis=-1)
                use = wrong <= max(3.0 * float(np.median(wrong)), 1.0)
            score = -float(np.median(wrong))
            if best is None or score > best.score:
                best = Guess(Camera(lens, pose), score)
        if best is not None:
            found.append(best)
    return found


def _rotation(local: Floats, world: Floats) -> Floats:
    """Return the matrix whose rows are the camera's axes in the world."""
    u, _, vt = np.linalg.svd(local.T @ world)
    turn = np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))])
    return np.asarray(u @ turn @ vt)


def by_pattern(
    sun_px: Floats,
    sun: Floats,
    points_px: Floats,
    bodies: Floats,
    magnitude: Floats,
    focals: Sequence[float],
    size: tuple[int, int],
    projections: Sequence[str] = PROJECTIONS,
) -> list[Guess]:
    """Return a guess for each projection, from one frame with the Sun and some points in it.

    Parameters
    ----------
    sun_px : ndarray, shape (2,)
    sun : ndarray, shape (3,)
    points_px : ndarray, shape (P, 2)
        Of the frame; some may be lamps, and some bodies may not show.
    bodies : ndarray, shape (B, 3)
        Directions of planets and bright stars.
    magnitude : ndarray, shape (B,)
    focals : sequence of float
    size : tuple of int
        Width and height.
    projections : sequence of str

    Notes
    -----
    The Sun's place leaves one angle open, the roll, which is tried all round. Bright bodies that
    should show and do not count against a guess; that cameras mostly stand level counts a little.
    """
    centre = (0.5 * (size[0] - 1), 0.5 * (size[1] - 1))
    weight = np.select(
        [magnitude < m for m in (-3.0, 0.0, 1.0)], [WEIGHT[-9], WEIGHT[-3], WEIGHT[0]], WEIGHT[1]
    )
    high = bodies[:, 2] > np.sin(np.radians(2.0))
    bodies, weight = bodies[high], weight[high]
    rolls = _about(sun, np.radians(np.arange(0.0, 360.0, ROLL_STEP)))
    found = []
    for projection in projections:
        best: Guess | None = None
        for focal in focals:
            lens = Lens(projection, focal, 0.0, centre)
            ray = Camera(lens, Pose(np.eye(3))).to_sky(sun_px)
            if not np.isfinite(ray).all():
                continue
            axes = _facing(ray, sun) @ rolls
            score = _agreement(lens.project(bodies @ np.swapaxes(axes, 1, 2)), sun_px, points_px,
                               weight, size)  # fmt: skip
            tilt = axes[:, 0, 2] / np.sin(np.radians(LEVEL_DEG))
            score += LEVEL_WEIGHT * np.exp(-(tilt**2)) * (axes[:, 1, 2] < 0)
            score[axes[:, 2, 2] < LOWEST_AXIS] = -np.inf
            k = int(np.argmax(score))
            if best is None or score[k] > best.score:
                best = Guess(Camera(lens, Pose(axes[k])), float(score[k]))
        if best is not None:
            found.append(best)
    return found


def _agreement(
    where: Floats, sun_px: Floats, points: Floats, weight: Floats, size: tuple[int, int]
) -> Floats:
    """Return how well bodies at ``where`` (R, B, 2) agree with points, for each of R rolls."""
    if not len(points):
        return np.zeros(len(where))
    with np.errstate(invalid="ignore"):
        inside = (where >= 4.0).all(axis=-1) & (where[..., 0] < size[0] - 5)
        inside &= where[..., 1] < size[1] - 5
    where = np.where(inside[..., None], where, -1e6)
    reach = 2.0 * max(1.0, size[0] / 1500.0) + REACH * np.linalg.norm(where - sun_px, axis=-1)
    apart, _ = KDTree(points).query(where)
    hit = inside * np.exp(-0.5 * (np.where(inside, apart, 1e6) / reach) ** 2)
    missing = inside & (apart > 3.0 * reach) & (weight >= WEIGHT[-3])
    return np.asarray(hit @ weight - 0.5 * (missing @ weight))


def _about(axis: Floats, angle: Floats) -> Floats:
    """Return rotations (R, 3, 3) about an axis by angles (R,), radians."""
    x, y, z = axis
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    sine, cosine = np.sin(angle)[:, None, None], np.cos(angle)[:, None, None]
    return np.asarray(np.eye(3) + sine * cross + (1.0 - cosine) * (cross @ cross))


def _facing(local: Floats, world: Floats) -> Floats:
    """Return any axes of a camera for which a direction of the world is a ray of its own."""

    def frame(v: Floats) -> Floats:
        side = np.cross(v, np.eye(3)[int(np.argmin(np.abs(v)))])
        side /= np.linalg.norm(side)
        return np.stack([v, side, np.cross(v, side)])

    return np.asarray(frame(local).T @ frame(world))
