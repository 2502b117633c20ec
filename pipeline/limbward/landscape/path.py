"""The Sun's path over the landscape: one foreground, and the Sun of other frames at its place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.develop import Developed
from limbward.landscape.session import GONE
from limbward.landscape.solved import Solved

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

MARGIN = 1.2  # solar radii from the Sun's centre to where its mask begins to fade
MARGIN_PX = 3.0  # beside that: blur, and the error of the place
FADE_PX = 3.0
CORONA_RADII = 3.5  # the same of a frame of totality
RING = 1.6  # outer over inner radius of the ring whose level is taken off
APART = 1.25  # solar diameters between two Suns, at least
NEAR = 0.3  # of a step: a frame further from its time is not taken
LEAST_SUNS = 3
TOP = 0.997  # quantile of the light within the Sun's disc that is made white


@dataclass(frozen=True)
class PathSun:
    """The Sun of one frame.

    Attributes
    ----------
    x, y : float
        Its centre, raw pixels.
    radius : float
        Of its disc, raw pixels.
    total : bool
        Whether it shows the corona, which keeps its own exposure.
    """

    x: float
    y: float
    radius: float
    total: bool


def even_steps(
    t: Floats, usable: NDArray[np.bool_], step_s: float, drift_deg_s: float, diameter_deg: float
) -> list[int]:
    """Return the frames nearest to even steps of time, counted from the epoch both ways.

    Parameters
    ----------
    t : ndarray, shape (N,)
        Seconds from greatest eclipse.
    usable : ndarray of bool, shape (N,)
    step_s : float
    drift_deg_s : float
        How fast the Sun moves over the sky: frames whose Suns would touch are not taken.
    diameter_deg : float
        Of the Sun.
    """
    rows = np.flatnonzero(usable)
    if not rows.size:
        return []
    least = APART * diameter_deg / drift_deg_s
    step = max(step_s, least)
    first, last = np.ceil(t[rows].min() / step - NEAR), np.floor(t[rows].max() / step + NEAR)
    chosen: list[int] = []
    for number in np.arange(first, last + 1):
        when = number * step
        k = int(rows[int(np.argmin(np.abs(t[rows] - when)))])
        if abs(t[k] - when) > NEAR * step or abs(when) < least:
            continue  # the middle is for totality
        if not chosen or t[k] - t[chosen[-1]] >= 0.9 * least:
            chosen.append(k)
    return chosen


@dataclass(frozen=True)
class PathPlan:
    """Frames of the picture of the Sun's path, by their numbers.

    ``total`` is the frame of totality, ``ground`` that of the landscape, if there are such.
    """

    suns: list[int]
    total: int | None
    ground: int | None


def plan_path(solved: Solved, step_s: float) -> PathPlan:
    """Return which frames make the picture: of the tripod that stood longest, filtered Suns."""
    standing = _standing(solved)
    share = solved.share
    radius = float(solved.heavens.radii_deg(np.array(0.0))[0])
    filtered = standing & solved.dark & solved.with_sun & (share > GONE)
    suns = even_steps(solved.since_s, filtered, step_s, drift_deg_s(solved), 2.0 * radius)
    covered = standing & (share <= GONE) & solved.with_sun
    total = solved.best(covered, lambda k: (-abs(solved.fill(k) - 0.1),))
    ground = total
    if total is None or solved.frames[total].seen.dark:
        ground = solved.best(standing & ~solved.dark, lambda k: (solved.frames[k].seen.level,))
    return PathPlan(suns, total, ground)


def stands_elsewhere(solved: Solved, k: int) -> bool:
    """Return whether the tripod of the path stood elsewhere in a frame."""
    return not _standing(solved)[k]


def _standing(solved: Solved) -> NDArray[np.bool_]:
    known = np.isfinite(solved.since_s)
    return known & (solved.session.stand == solved.stand_of_most(np.ones_like(known)))


def drift_deg_s(solved: Solved) -> float:
    """Return how fast the Sun moves over the sky at the site, degrees a second."""
    a, b = (solved.heavens.vector_of(0, np.array(s)) for s in (-30.0, 30.0))
    return float(np.degrees(np.linalg.norm(b - a))) / 60.0


def path_sun(solved: Solved, k: int, *, total: bool = False) -> PathSun:
    """Return the Sun of a frame."""
    vector, camera = solved.sun(k), solved.session.camera(k)
    x, y = camera.to_pixels(vector)
    radius = solved.heavens.radii_deg(np.array(solved.since_s[k]))[0] / camera.scale_deg(vector)
    return PathSun(float(x), float(y), float(radius), total)


def add_sun(base: Pixels, developed: Developed, sun: PathSun, white: float) -> Pixels:
    """Return a picture with the Sun of another frame of the same tripod in its place.

    Parameters
    ----------
    base : ndarray of float32, shape (3, h, w)
        Linear light.
    developed : Developed
        The frame with the Sun, in the same bins.
    sun : PathSun
    white : float
        Light in ``base`` that the Sun's disc is brought to; a corona keeps its own scale, so that
        its brightest is as bright.

    Notes
    -----
    The lighter of both in linear light, after the level around the Sun has been taken off the
    patch, and within a mask that fades out: so neither the sky nor the landscape is brightened, and
    where the patch holds nothing the foreground stays as it is. Nothing is resampled: on a fixed
    tripod the place in the frame is the place in the picture.
    """
    factor = developed.factor
    x, y = ((c + 0.5) / factor - 0.5 for c in (sun.x, sun.y))
    radius = sun.radius / factor
    inner, outer = _mask_px(sun, factor)
    far = RING * outer
    h, w = base.shape[1:]
    rows = slice(max(0, int(y - far)), min(h, int(y + far) + 2))
    columns = slice(max(0, int(x - far)), min(w, int(x + far) + 2))
    patch = developed.picture[:, rows, columns].astype(float)
    if not patch.size:
        return base
    yy, xx = np.mgrid[rows, columns].astype(float)
    r = np.hypot(yy - y, xx - x)
    ring = (r > outer) & (r <= far)
    if ring.any():
        patch = patch - np.median(patch[:, ring], axis=1)[:, None, None]
    patch = np.maximum(patch, 0.0)
    disc = r <= (outer if sun.total else radius + 1.0)
    top = float(np.quantile(patch.max(axis=0)[disc], TOP)) if disc.any() else 0.0
    if top <= 0.0:
        return base
    mask = np.clip((outer - r) / (outer - inner), 0.0, 1.0)
    mask = mask**2 * (3.0 - 2.0 * mask)
    out = base.copy()
    target = out[:, rows, columns]
    np.maximum(target, (white / top * patch * mask).astype(np.float32), out=target)
    return out


def _mask_px(sun: PathSun, factor: int) -> tuple[float, float]:
    """Return the radii, in bins, between which a Sun's mask fades out."""
    radius = sun.radius / factor
    inner = (CORONA_RADII if sun.total else MARGIN) * radius + MARGIN_PX
    return inner, inner + FADE_PX + (radius if sun.total else 0.0)


def reach_px(sun: PathSun, factor: int) -> float:
    """Return how far around a Sun its frame is looked at, in bins."""
    return RING * _mask_px(sun, factor)[1] + 2.0


def sun_path(
    foreground: Developed, suns: Sequence[tuple[Developed, PathSun]], white: float
) -> Pixels:
    """Return the foreground with all Suns, linear light (3, h, w)."""
    out = foreground.picture
    for developed, sun in suns:
        out = add_sun(out, developed, sun, white)
    return out
