"""Which body counts where in the joint picture, on a coarse grid of it.

Bodies are joined one after the other, the finest first. The sum so far, blurred as the next body
is, is compared with that; the difference, blurred once more and times the next one's part of the
weight, is added. So the next adds light at the scales that it holds, by its noise, and the finer
scales stay those of the sum. Towards the edge of what the sum has seen its finer scales fade out;
its light at the scales that both hold counts by its noise until close to the edge.

Notes
-----
Let y and u be the two, u drawn with the transfer r(f) against y. The estimate of least variance
that has the sharpness of y is, at each spatial frequency, ``y + G (u - r y)`` with
``G = a r / (1 - a + a r**2)``, where a is the next one's part of the weight (B. Zackay, E. O. Ofek,
*How to COAdd images*, ApJ 836 (2017) 187, for the same weighing). Here ``G = a r``: the same at the
scales that both hold, and no deconvolution at the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid
from limbward.radiance.join.part import NO_TIE, OffCentre, Part, Tie, read_part

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]

CELLS = 384  # of the coarse grid's longer side
FEATHER = 0.5  # solar radii over which a body's field fades at most
FEATHER_PART = 0.3  # of the distance from the Sun to the field's nearest edge, at most
LIGHT_PART = 0.15  # of that width, over which its light at the coarse scales fades
NEAR_MOON = 1.08  # Moon's radii: a gap as near is the Moon's, and no edge of the field
FREE_OF_GAPS = 3.5  # standard deviations of the blur within which there must be no gap
SMOOTH = 1.5  # cells, over which weights are smoothed


@dataclass(frozen=True)
class Layer:
    """A body in the joint picture.

    Attributes
    ----------
    part : Part
    tie : Tie
        To the first; that of the first is `NO_TIE`.
    weight : ndarray of float32, shape (3, h, w)
        Its part of the weight against all before it, on the coarse grid, where it has a share at
        the scales it holds; 0 to 1.
    fade : ndarray of float32, shape (h, w)
        1 where the fine scales are those of what was joined before it, falling to 0 where there
        is none of that.
    held : ndarray of float32, shape (3, h, w)
        The part that what was joined before it has in the light where the fine scales are this
        body's.
    """

    part: Part
    tie: Tie
    weight: Pixels
    fade: Pixels
    held: Pixels


@dataclass(frozen=True)
class JointPlan:
    """How parts are joined on a grid.

    Attributes
    ----------
    grid : Grid
    factor : int
        Pixels of the grid to a cell of the coarse one.
    layers : list of Layer
        The first of them is the finest body; its weight and fade are not used.
    share : list of ndarray, shape (3, h, w)
        Of each body in all light, by cells.
    whole : list of ndarray of bool, shape (h, w)
        Where each body has seen the corona, by cells.
    """

    grid: Grid
    factor: int
    layers: list[Layer]
    share: list[Pixels]
    whole: list[Mask]


def joint_grid(parts: Sequence[Part], side: int | None, most_pixels: float) -> Grid:
    """Return the first part's grid grown to the fields of all.

    Parameters
    ----------
    parts : sequence of Part
        The finest first.
    side : int, optional
        Of a square that is wanted, pixels.
    most_pixels : float
        The grid is cut to about so many, but not below the first's own.
    """
    first = parts[0].grid
    if side is not None:
        return Grid(side, side, first.scale_arcsec, first.up_position_angle)
    half = np.array([first.width / 2.0, first.height / 2.0])
    own = half.copy()
    for part in parts[1:]:
        grid = part.grid
        x, y = np.array([-0.5, grid.width - 0.5]), np.array([-0.5, grid.height - 0.5])
        x, y = (a.ravel() for a in np.meshgrid(x, y))
        east, north = grid.orientation.to_sky(x - grid.sun_x, y - grid.sun_y)
        dx, dy = first.orientation.to_pixels(east, north)
        half = np.maximum(half, [np.abs(dx).max(), np.abs(dy).max()])
    most = max(most_pixels, 4.0 * own[0] * own[1]) / 4.0
    if half[0] * half[1] > most:
        half = half * np.sqrt(most / (half[0] * half[1]))
        for i in np.flatnonzero(half < own):  # what one side may not lose, the other does
            half[i], half[1 - i] = own[i], most / own[i]
    # Of the first's parity: its pixels are the grid's.
    more = np.ceil(half - own).astype(int)
    return Grid(
        first.width + 2 * int(more[0]),
        first.height + 2 * int(more[1]),
        first.scale_arcsec,
        first.up_position_angle,
    )


def whole_grid(parts: Sequence[Part]) -> Grid:
    """Return the grid that holds the fields of all parts."""
    return joint_grid(parts, None, np.inf)


def plan_joint(
    parts: Sequence[Part], ties: Sequence[Tie], grid: Grid, moon: Disc, sun_radius_px: float
) -> JointPlan:
    """Return where each part counts.

    Parameters
    ----------
    parts, ties : sequence
        Of each part, the finest first; the first's tie is not looked at.
    grid : Grid
        Of the joint picture.
    moon : Disc
        On it.
    sun_radius_px : float
        On it.
    """
    factor = max(1, -(-max(grid.width, grid.height) // CELLS))
    small = grid.reduced(factor)
    shape = (small.height, small.width)
    rows, columns = np.indices(shape)
    place = (
        factor * (columns - small.sun_x) + grid.sun_x,
        factor * (rows - small.sun_y) + grid.sun_y,
    )
    reach = moon.radius * NEAR_MOON + factor
    by_moon = np.hypot(place[0] - moon.x, place[1] - moon.y) < reach
    layers: list[Layer] = []
    shares: list[Pixels] = []
    wholes: list[Mask] = []
    noise = np.full((3, *shape), np.inf)  # of the sum so far
    seen = np.zeros(shape, bool)
    for k, (part, tie) in enumerate(zip(parts, ties, strict=True)):
        own, whole = _noise_of(part, tie if k else NO_TIE, small, factor)
        own[:, ~whole] = np.inf
        wholes.append(whole)
        if k == 0:
            ones: Pixels = np.ones(shape, np.float32)
            all_of_it: Pixels = np.ones((3, *shape), np.float32)
            layers.append(Layer(part, NO_TIE, all_of_it, ones, all_of_it))
            shares.append(np.broadcast_to(np.isfinite(own), own.shape).astype(np.float32))
            noise, seen = own, whole
            continue
        width, its_width = (
            _feather(m, small, factor, sun_radius_px) / factor
            for m in (seen | by_moon, whole | by_moon)
        )
        before, its = _rising(seen | by_moon, width), _rising(whole | by_moon, its_width)
        with np.errstate(invalid="ignore"):
            fine = before / (before + (1.0 - before) * its)
        fade: Pixels = np.where(np.isfinite(fine), fine, seen | by_moon).astype(np.float32)
        gap = FREE_OF_GAPS * np.sqrt(tie.blur) / factor
        clear = its * _rising(seen & whole, gap)
        part_of_all = _weight(noise, own)
        held = (1.0 - part_of_all) * _rising(seen & whole, LIGHT_PART * width, gap)
        mixed: Pixels = np.asarray(part_of_all * clear, np.float32)
        mine = fade * mixed + (1.0 - fade) * (1.0 - held) * whole
        old = fade * (1.0 - mixed) + (1.0 - fade) * held
        for share in shares:
            share *= old
        shares.append(np.asarray(mine, np.float32))
        with np.errstate(invalid="ignore"):
            noise = np.where(old > 0, old**2 * noise, 0.0) + np.where(mine > 0, mine**2 * own, 0.0)
        seen = seen | whole
        noise[:, ~seen] = np.inf
        layers.append(Layer(part, tie, mixed, fade, np.asarray(held, np.float32)))
    return JointPlan(grid, factor, layers, shares, wholes)


def _weight(noise: Floats, own: Floats) -> Floats:
    """Return the part of the weight of what has the variance ``own``, smoothed."""
    both = np.isfinite(noise) & np.isfinite(own)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = np.where(both, noise / (noise + own), 0.0)
        near = np.stack([gaussian_filter(b.astype(float), SMOOTH) for b in both])
        smooth = np.stack([gaussian_filter(w, SMOOTH) for w in weight]) / near
    return np.where(both, smooth, np.isfinite(own))


def _noise_of(part: Part, tie: Tie, small: Grid, factor: int) -> tuple[Floats, Mask]:
    """Return the variance of a mean over one pixel of the grid, by cells, and which are whole."""
    shape = (small.height, small.width)
    offsets = (np.arange(3) - 1.0) / 3.0  # places in a cell that stand for it
    total, number = np.zeros((3, *shape)), np.zeros((3, *shape))
    lost = np.zeros(shape, bool)
    for dy in offsets:
        for dx in offsets:
            # Read beside the middles of the cells.
            moved = OffCentre(
                small.width, small.height, small.scale_arcsec, small.up_position_angle,
                (small.width - 1) / 2.0 - dx, (small.height - 1) / 2.0 - dy,
            )  # fmt: skip
            sigma = np.stack(
                [read_part(p, part, moved, tie, shape, nearest=True) for p in part.sigma]
            )
            known = np.isfinite(sigma)
            total += np.where(known, sigma.astype(np.float64) ** 2, 0.0)
            number += known
            lost |= ~known.all(axis=0)
    pixel = part.grid.scale_arcsec / (small.scale_arcsec / factor)
    with np.errstate(invalid="ignore"):
        mean = total / number
    scaled = (tie.gain**2 * part.area).reshape(3, 1, 1) * pixel**2
    return np.asarray(mean * scaled), ~lost


def _rising(mask: Mask, width: float, begin: float = 0.0) -> Pixels:
    """Return 0 outside a mask and to ``begin`` cells from its edge, then rising to 1."""
    padded = np.pad(mask, 1)  # the picture's edge is one
    away = distance_transform_edt(padded)[1:-1, 1:-1]
    t = np.clip((away - 1.5 - begin) / max(width, 1.0), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t), np.float32)


def _feather(seen: Mask, small: Grid, factor: int, sun_radius_px: float) -> float:
    """Return over how many pixels a field fades."""
    padded = np.pad(seen, 1)
    reach = distance_transform_edt(padded)[1:-1, 1:-1]
    middle = float(reach[round(small.sun_y), round(small.sun_x)]) * factor
    return max(min(FEATHER * sun_radius_px, FEATHER_PART * middle), 2.0 * factor)
