"""Limbs of a crescent whose picture was fitted, traced along their length.

The fit says where two circles lie. How far each stretch of limb lies off its circle, by the Moon's
mountains above all, is in the light that the fit leaves beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from limbward.limb.darkening import limb_darkening
from limbward.limb.edges import radial_edges
from limbward.limb.filtered_sun import FilteredSun
from limbward.limb.painting import TABLE_STEPS, limb_table

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

MOST_BINS = 720  # half a degree each, or a pixel if that is more
LEAST_PX = 25.0  # of the radius
REACH = 4.5  # blurs to either side of a limb that are looked at
CLEAR = 2.5  # blurs from the other limb: nearer to each other two limbs are no product of two
ROUNDS = 3  # the profile of a blurred edge is no straight line: mountains reach beyond the blur
FURTHEST = 2.0  # blurs that a limb may lie off its circle
FLOOR_PX = 0.03  # as for edges along the radius
TRACED = 0.75  # of the limb that is seen: traced, it is used
LEAST = 8  # pixels in a bin
CLEAR_PX, LEAST_EDGES = 6.0, 12  # from the Sun's limb, of edges that tell the blur
PIXEL = np.sqrt(1.0 / 12.0)  # standard deviation of a place in a pixel


def traced_limbs(
    image: NDArray[np.float32], saturated: Mask, fit: FilteredSun, noise: float
) -> tuple[Floats, Floats] | None:
    """Return edge points of the Sun's limb and of the Moon's.

    Parameters
    ----------
    image : ndarray, shape (h, w), float32
        The one that was fitted.
    saturated : ndarray of bool, shape (h, w)
    fit : FilteredSun
    noise : float
        Standard deviation of a dark pixel.

    Returns
    -------
    tuple of ndarray, shapes (N, 3), (M, 3), or None
        x, y and the standard error along the radius, half a degree or a pixel apart; None for discs
        too small and where there is no Moon.

    Notes
    -----
    In each of these stretches level, background and the limb's distance from its circle are
    fitted to the pixels across it. A change of the blur's width is odd about the edge, and a
    shift of the edge even, so that a wrong blur moves nothing.
    """
    if fit.moon is None or min(fit.sun[2], fit.moon[2]) < LEAST_PX:
        return None
    blur = _blur(image, saturated, fit, noise)
    if blur is None:
        return None
    soft = float(np.hypot(blur, PIXEL))
    reach, clear = REACH * soft + 1.0, CLEAR * soft
    columns, rows = _box(image.shape, fit.sun, reach)
    if not (columns.size and rows.size):
        return None
    # A ten thousandth of a pixel will do to choose pixels by; a large disc has ten million.
    single = np.float32(columns), np.float32(rows)
    in_sun, in_moon = (_inset(*single, disc, fit) for disc in (fit.sun, fit.moon))
    good = ~saturated[rows[0, 0] : rows[-1, 0] + 1, columns[0, 0] : columns[0, -1] + 1]
    light = _Light(fit, soft)
    found = []
    for disc, near in (
        (fit.sun, (np.abs(in_sun) < reach) & (in_moon < -clear) & good),
        (fit.moon, (np.abs(in_moon) < reach) & (in_sun > clear) & good),
    ):
        down, across = np.nonzero(near)
        y, x = down + rows[0, 0], across + columns[0, 0]
        sun, moon = _inset(x, y, fit.sun, fit), _inset(x, y, fit.moon, fit)
        angle = np.arctan2(y - disc[1], x - disc[0])
        model = partial(light.with_limb_off, sun, moon, disc is fit.sun)
        count = min(MOST_BINS, round(2.0 * np.pi * disc[2]))
        bins = (angle / (2.0 * np.pi) % 1.0 * count).astype(int) % count
        off, sigma, at = _along(image[y, x].astype(float), bins, count, angle, soft, model)
        radius = disc[2] * _squeeze(np.cos(at), np.sin(at), fit) + off
        place = [disc[0] + radius * np.cos(at), disc[1] + radius * np.sin(at), sigma]
        found.append(np.column_stack(place))
    return found[0], found[1]


def traced_or(
    fitted: tuple[Floats, Floats],
    image: NDArray[np.float32],
    saturated: Mask,
    fit: FilteredSun,
    noise: float,
) -> tuple[Floats, Floats]:
    """Return the traced limbs, or the ``fitted`` ones of which tracing tells too little.

    Traced limbs lack what is near the other limb, which of a shallow bite is most of it.
    """
    traced = traced_limbs(image, saturated, fit, noise)
    if traced is None or fit.moon is None:
        return fitted
    for ours, theirs, disc in zip(traced, fitted, (fit.sun, fit.moon), strict=True):
        if _degrees(ours, disc) <= TRACED * _degrees(theirs, disc):
            return fitted
    return traced


def _degrees(limb: Floats, disc: tuple[float, float, float]) -> int:
    """Return in how many of the 360 degrees around a disc there are points of its limb."""
    angle = np.degrees(np.arctan2(limb[:, 1] - disc[1], limb[:, 0] - disc[0]))
    return int(np.unique(np.floor(angle)).size)


def _blur(
    image: NDArray[np.float32], saturated: Mask, fit: FilteredSun, noise: float
) -> float | None:
    """Return the blur of the Moon's limb on the Sun (sigma), pixels; None if there is too little.

    The fit's own, made on bins of up to 20 px, may be several times as wide.
    """
    assert fit.moon is not None
    x, y, radius = fit.moon
    edges = radial_edges(image, saturated, x, y, radius, brighter_outside=True, noise=noise)
    depth = fit.sun[2] - np.hypot(edges.x - fit.sun[0], edges.y - fit.sun[1])
    widths = edges.width[(depth > CLEAR_PX) & ~edges.saturated]
    widths = widths[np.isfinite(widths)]
    return float(np.median(widths)) if widths.size >= LEAST_EDGES else None


class _Light:
    """The Sun's light behind the Moon by how deep a place lies in both, pixels, blurred."""

    def __init__(self, fit: FilteredSun, soft: float) -> None:
        self.soft, self.radius = soft, fit.sun[2]
        self.law = limb_table(fit.sun[2], soft)[0]
        self.depths = np.arange(self.law.size) / TABLE_STEPS - 5.0

    def at(self, sun: Floats, moon: Floats) -> Floats:
        """Return the light; clear of the limb's blur the law as it is."""
        depth = sun / self.soft
        inside = np.clip(1.0 - sun / self.radius, 0.0, 1.0)
        deep = limb_darkening(np.sqrt(1.0 - inside**2))
        law = np.where(depth < self.depths[-1], np.interp(depth, self.depths, self.law), deep)
        return np.asarray(law * ndtr(depth) * ndtr(-moon / self.soft))

    def with_limb_off(self, sun: Floats, moon: Floats, of_sun: bool, off: Floats) -> Floats:
        """Return the light with the Sun's limb, or the Moon's, further out by ``off``."""
        return self.at(sun + off, moon) if of_sun else self.at(sun, moon + off)


def _box(shape: tuple[int, ...], sun: tuple[float, float, float], margin: float) -> tuple[Any, Any]:
    """Return the columns and rows of pixels around the Sun, as arrays to be broadcast."""
    reach = sun[2] + margin
    columns = np.arange(max(0, int(sun[0] - reach)), min(shape[1], int(sun[0] + reach) + 2))
    rows = np.arange(max(0, int(sun[1] - reach)), min(shape[0], int(sun[1] + reach) + 2))
    return columns[None, :], rows[:, None]


def _squeeze(x: Any, y: Any, fit: FilteredSun) -> Any:
    """Return a squeezed circle's radius over its mean in directions (x, y), unit vectors."""
    return 1.0 + fit.plus * (x * x - y * y) + fit.cross * 2.0 * x * y


def _inset(x: Any, y: Any, disc: tuple[float, float, float], fit: FilteredSun) -> Any:
    """Return how far inside a squeezed circle places lie, pixels."""
    dx, dy = x - disc[0], y - disc[1]
    distance = np.maximum(np.hypot(dx, dy), 1e-9)
    return disc[2] * _squeeze(dx / distance, dy / distance, fit) - distance


def _along(
    value: Floats,
    bins: NDArray[np.int64],
    count: int,
    angle: Floats,
    soft: float,
    model: Callable[[Floats], Floats],
) -> tuple[Floats, Floats, Floats]:
    """Return how far out a limb lies in each bin that tells it, the error, and the bin's angle."""
    off, sigma = np.zeros(count), np.full(count, np.inf)
    step = 0.1 * soft
    for _ in range(ROUNDS):
        shift = off[bins]
        painted = model(shift)
        slope = (model(shift + step) - model(shift - step)) / (2.0 * step)
        rows = np.stack([painted, slope, np.ones_like(painted)])
        sums = np.array([_sum(bins, a * b, count) for a in rows for b in rows])
        normal = np.moveaxis(sums.reshape(3, 3, count), -1, 0)
        wanted = np.stack([_sum(bins, a * value, count) for a in rows], axis=1)
        told = (normal[:, 2, 2] >= LEAST) & (np.linalg.cond(normal + np.eye(3) * 1e-30) < 1e9)
        solved = np.zeros((count, 3))
        solved[told] = np.linalg.solve(normal[told], wanted[told][:, :, None])[:, :, 0]
        left = value - np.einsum("kn,nk->n", rows, solved[bins])
        freedom = np.maximum(normal[:, 2, 2] - 3.0, 1.0)
        spread = np.zeros(count)
        spread[told] = np.linalg.inv(normal[told])[:, 1, 1]
        level = np.maximum(solved[:, 0], 1e-9)
        sigma = np.sqrt(_sum(bins, left**2, count) / freedom * spread) / level
        move = np.where(told & (solved[:, 0] > 0), solved[:, 1] / level, np.nan)
        off = np.clip(np.nan_to_num(off + move), -FURTHEST * soft, FURTHEST * soft)
    size = np.maximum(normal[:, 2, 2], 1.0)
    # Bins are seen whole but at the ends of the arc: the middle of what is seen is the place.
    centre = np.arctan2(_sum(bins, np.sin(angle), count), _sum(bins, np.cos(angle), count))
    whole = size > 0.5 * np.median(size[size > 1.0]) if (size > 1.0).any() else size > 1.0
    keep = told & whole & np.isfinite(move) & (np.abs(off) < FURTHEST * soft) & (sigma < soft)
    return off[keep], np.hypot(sigma[keep], FLOOR_PX), centre[keep]


def _sum(bins: NDArray[np.int64], values: Floats, count: int) -> Floats:
    return np.asarray(np.bincount(bins, values, count), float)
