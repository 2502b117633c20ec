"""Painting the Sun behind the Moon, with soft limbs."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel
from limbward.limb.darkening import GREEN, limb_darkening

Floats = NDArray[np.float64]

TABLE_STEPS = 8  # a sigma of the soft limb
HALF_ROOT = math.sqrt(0.5)


def limb_table(radius: float, soft: float) -> Floats:
    """Return the mean of the law, and times mu - 0.6, over what a soft limb lets through.

    At depths from -5 to 15 ``soft`` pixels. The law falls with a vertical tangent at the limb, so
    its value at a sample's centre is not its mean over the sample.
    """
    u = np.arange(0.0, 22.0, 0.05)[None, :] + 0.025  # depths that the sample looks at
    d = np.arange(-5.0, 15.0 + 0.5 / TABLE_STEPS, 1.0 / TABLE_STEPS)[:, None]
    weight = np.exp(-0.5 * (d - u) ** 2)
    weight /= weight.sum(axis=1, keepdims=True)
    inside = np.clip(1.0 - u[0] * soft / radius, 0.0, 1.0)
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
    for i in range(ys.size):
        for j in range(xs.size):
            dx, dy = xs[j] - circles[0], ys[i] - circles[1]
            r = max(math.sqrt(dx * dx + dy * dy), 1e-9)
            ux, uy = dx / r, dy / r
            around = 1.0 + plus * (ux * ux - uy * uy) + cross * 2.0 * ux * uy
            depth = (circles[2] * around - r) / soft
            if depth < -5.0:
                out[0, i, j] = 0.0
                out[1, i, j] = 0.0
                continue
            lit = 0.5 * (1.0 + math.erf(depth * HALF_ROOT))
            if with_moon:
                dx, dy = xs[j] - circles[3], ys[i] - circles[4]
                r_moon = max(math.sqrt(dx * dx + dy * dy), 1e-9)
                vx, vy = dx / r_moon, dy / r_moon
                squeezed = 1.0 + plus * (vx * vx - vy * vy) + cross * 2.0 * vx * vy
                hidden = 0.5 * (1.0 + math.erf((circles[5] * squeezed - r_moon) / soft * HALF_ROOT))
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
