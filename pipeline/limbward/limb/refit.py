"""Circles through the edge points of a frame, once its time and the camera's orientation are known.

At first sight of a frame neither the ratio of the two radii (it changes by 0.2 % over an eclipse,
as the Moon comes nearer) nor the direction in which refraction flattens the discs is known. With
both given, a bite out of the Sun a few pixels deep still fixes the Moon's centre.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.disc import MeasuredDisc
from limbward.limb.circle import Arc, fit_circles

Floats = NDArray[np.float64]


def refit(
    limbs: list[Floats],
    starts: list[tuple[float, float, float]],
    refraction: Floats,
    *,
    radius_ratio: float | None = None,
    radius: tuple[float, float] | None = None,
) -> list[MeasuredDisc]:
    """Fit one or two flattened discs to edge points.

    Parameters
    ----------
    limbs : list of ndarray, shape (N, 3)
        Edge points (x, y, standard error) of each limb, pixels.
    starts : list of (x, y, radius)
    refraction : ndarray, shape (2, 2)
        What refraction does to offsets, in pixels (x, y).
    radius_ratio : float, optional
        Second radius over the first.
    radius : tuple of float, optional
        First radius as it appears, the mean of the flattened disc, if it is known, and its standard
        deviation, pixels.

    Returns
    -------
    list of MeasuredDisc
        Centres as they appear; radii are the means of the flattened discs.

    Raises
    ------
    ValueError
        If a limb has fewer than three points, or ``refraction`` cannot be undone.
    """
    if not np.isfinite(refraction).all() or np.linalg.det(refraction) < 1e-3:
        raise ValueError("refraction that cannot be undone")
    origin = np.array(starts[0][:2])
    undo = np.linalg.inv(refraction)
    arcs, round_starts = [], []
    for limb, (x, y, size) in zip(limbs, starts, strict=True):
        px, py = undo @ (limb[:, :2] - origin).T
        arcs.append(Arc(px, py, limb[:, 2]))
        cx, cy = undo @ (np.array([x, y]) - origin)
        round_starts.append((float(cx), float(cy), size))
    mean = float(np.sqrt(np.linalg.det(refraction)))
    known = None if radius is None else (radius[0] / mean, radius[1] / mean)
    fit = fit_circles(arcs, round_starts, radius_ratio=radius_ratio, radius=known)
    found = []
    for c in fit.circles:
        x, y = origin + refraction @ np.array([c.x, c.y])
        found.append(MeasuredDisc(float(x), float(y), c.radius * mean, c.sigma))
    return found
