"""Painting the Sun behind the Moon, with soft limbs."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel
from limbward.limb.darkening import GREEN, limb_darkening

Floats = NDArray[np.float64]

TABLE_STEPS = 8  # a sigma of the soft limb
HALF_ROOT = math.sqrt(0.5)
CERTAIN = 8.4  # sigmas inside or outside a limb, beyond which a double holds no rest of the other
OUTSIDE = 5.0  # sigmas outside the Sun's limb, beyond which nothing is painted


@cache
def _softening() -> tuple[Floats, Floats]:
    """Return the depths that a sample looks at, and their weights for each depth of a sample."""
    u = np.arange(0.0, 22.0, 0.05) + 0.025
    d = np.arange(-5.0, 15.0 + 0.5 / TABLE_STEPS, 1.0 / TABLE_STEPS)
    weight = np.exp(-0.5 * (d[:, None] - u) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    return u, weight


def limb_table(radius: float, soft: float) -> Floats:
    """Return the mean of the law, and times mu - 0.6, over what a soft limb lets through.

    At depths from -5 to 15 ``soft`` pixels. The law falls with a vertical tangent at the limb, so
    its value at a sample's centre is not its mean over the sample.
    """
    depths, weight = _softening()
    inside = np.clip(1.0 - depths * soft / radius, 0.0, 1.0)
    mu = np.sqrt(1.0 - inside**2)
    law = limb_darkening(mu)
    return np.array([weight @ law, weight @ (law * (mu - 0.6))])


def _paint_loop(
    xs: Floats,
    ys: Floats,
    circles: Floats,
    with_moon: bool,
    plus: float,
    cross: float,
    soft: float,
    table: Floats,
    out: Floats,
) -> None:
    """Paint the disc with the law's darkening, and times mu - 0.6, with limbs ``soft`` pixels wide.

    Of a sample on a limb, the part that is Sun and not Moon depends on how the limbs lie: for
    parallel ones the smaller cover lies in the larger one, for opposite ones they overlap as
    little as they can, for crossing ones they are independent.
    """
    most = 1.0 + abs(plus) + abs(cross)
    farthest = (circles[2] * most + OUTSIDE * soft) ** 2
    hidden_within = max(circles[5] * (2.0 - most) - CERTAIN * soft, 0.0) ** 2
    for i in range(ys.size):
        for j in range(xs.size):
            out[0, i, j] = 0.0
            out[1, i, j] = 0.0
            dx, dy = xs[j] - circles[0], ys[i] - circles[1]
            square = dx * dx + dy * dy
            if square > farthest:
                continue
            mx, my = xs[j] - circles[3], ys[i] - circles[4]
            moon_square = mx * mx + my * my
            if with_moon and moon_square < hidden_within:
                continue
            r = max(math.sqrt(square), 1e-9)
            ux, uy = dx / r, dy / r
            around = 1.0 + plus * (ux * ux - uy * uy) + cross * 2.0 * ux * uy
            depth = (circles[2] * around - r) / soft
            if depth < -OUTSIDE:
                continue
            lit = 1.0 if depth > CERTAIN else 0.5 * (1.0 + math.erf(depth * HALF_ROOT))
            if with_moon:
                r_moon = max(math.sqrt(moon_square), 1e-9)
                vx, vy = mx / r_moon, my / r_moon
                squeezed = 1.0 + plus * (vx * vx - vy * vy) + cross * 2.0 * vx * vy
                cover = (circles[5] * squeezed - r_moon) / soft
                if cover > CERTAIN:
                    continue
                if cover > -CERTAIN:
                    hidden = 0.5 * (1.0 + math.erf(cover * HALF_ROOT))
                    along = ux * vx + uy * vy
                    parallel = max(lit - hidden, 0.0) if along > 0 else min(lit, 1.0 - hidden)
                    size = abs(along)
                    lit = size * parallel + (1.0 - size) * lit * (1.0 - hidden)
            place = (depth + 5.0) * TABLE_STEPS
            if place < table.shape[1] - 1:
                k = int(place)
                t = place - k
                out[0, i, j] = lit * (table[0, k] * (1.0 - t) + table[0, k + 1] * t)
                out[1, i, j] = lit * (table[1, k] * (1.0 - t) + table[1, k + 1] * t)
                continue
            inside = min(r / (circles[2] * around), 1.0)
            mu = math.sqrt(1.0 - inside * inside)
            law = GREEN[5]
            for k in range(4, -1, -1):
                law = law * mu + GREEN[k]
            out[0, i, j] = lit * law
            out[1, i, j] = lit * law * (mu - 0.6)


paint: Callable[..., None] = kernel(_paint_loop)
