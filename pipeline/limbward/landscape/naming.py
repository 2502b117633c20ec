"""Which point in a frame is which planet or star, and how faint a star the frame shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.heavens import Heavens
from limbward.landscape.lens import Camera
from limbward.landscape.spots import SIGNIFICANT, Points

Floats = NDArray[np.float64]

EXTINCTION = 0.2  # magnitudes an air mass in green, of clear air near sea level
LOWEST_DEG = 1.0  # of altitude: below it are lamps, and refraction is uncertain
FAINT_BY, BRIGHT_BY = 1.3, 1.0  # magnitudes that a point may be off what its body should be
OVEREXPOSED = -2.0  # magnitude of bodies that may be overexposed, and so look too faint


@dataclass(frozen=True)
class Named:
    """A body found in a frame: its number in `Heavens`, the point's, and pixels off its place."""

    body: int
    point: int
    off_px: float


@dataclass(frozen=True)
class Names:
    """What is named in a frame.

    ``zero_point`` is the magnitude above the air that gives one ADU, ``limit`` that of the faintest
    point that would be found at half the height to the zenith; NaN if nothing is named.
    """

    named: list[Named]
    zero_point: float
    limit: float


def name_points(
    camera: Camera, heavens: Heavens, t: float, points: Points, reach_px: float, faintest: float
) -> Names:
    """Return which points of a frame are planets and stars.

    Parameters
    ----------
    camera : Camera
    heavens : Heavens
    t : float
        Seconds from its epoch.
    points : Points
        In raw pixels.
    reach_px : float
        Largest distance from a body's place.
    faintest : float
        Magnitude of the faintest bodies that are looked for.

    Notes
    -----
    Place alone is not enough among lamps and noise: the brightness of each must be within a
    magnitude of what the others' light makes of its magnitude.
    """
    vector = heavens.vectors(np.array(t))
    where = camera.to_pixels(vector)
    wanted = [
        b
        for b in np.argsort(np.nan_to_num(heavens.magnitude, nan=99.0))
        if heavens.magnitude[b] <= faintest
        and vector[b, 2] > np.sin(np.radians(LOWEST_DEG))
        and np.isfinite(where[b]).all()
    ]
    free = np.ones(points.x.size, bool)
    pairs: list[Named] = []
    for body in wanted:
        apart = np.hypot(points.x - where[body, 0], points.y - where[body, 1])
        apart = np.where(free & (points.flux > 0), apart, np.inf)
        if apart.size and apart.min() <= reach_px + 3.0 * points.sigma[int(np.argmin(apart))]:
            k = int(np.argmin(apart))
            free[k] = False
            pairs.append(Named(int(body), k, float(apart[k])))
    if not pairs:
        return Names([], float("nan"), float("nan"))
    mass = 1.0 / np.maximum(vector[:, 2], 0.05)
    each = np.array(
        [
            heavens.magnitude[p.body] + EXTINCTION * mass[p.body]
            + 2.5 * np.log10(points.flux[p.point])
            for p in pairs
        ]
    )  # fmt: skip
    bright = np.array([heavens.magnitude[p.body] for p in pairs])
    zero = _zero_point(each, bright)
    fits = (each - zero < BRIGHT_BY) & ((each - zero > -FAINT_BY) | (bright < OVEREXPOSED))
    kept = [p for p, ok in zip(pairs, fits, strict=True) if ok]
    if not kept:
        return Names([], float("nan"), float("nan"))
    noise = np.median([points.flux[p.point] / points.significance[p.point] for p in kept])
    limit = zero - 2.5 * np.log10(SIGNIFICANT * noise) - EXTINCTION * 1.41
    # A star far below the limit cannot have been found; it is noise in the right place.
    kept = [p for p in kept if heavens.magnitude[p.body] < limit + 0.7]
    return Names(kept, zero, float(limit))


def _zero_point(each: Floats, magnitude: Floats) -> float:
    """Return the zero point that most pairs share, planets and bright stars first."""
    weight = np.where(magnitude < 0.5, 3.0, 1.0)
    # Overexposed ones are a lower bound, so they count only if there is nothing else.
    weight = np.where(magnitude < OVEREXPOSED, 0.5, weight)
    votes = [(weight * (np.abs(each - e) < 0.8)).sum() for e in each]
    near = np.abs(each - each[int(np.argmax(votes))]) < 0.8
    return float(np.average(each[near], weights=weight[near]))
