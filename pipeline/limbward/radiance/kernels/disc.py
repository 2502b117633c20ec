"""A frame's colours on the grid of a picture, by the taps of its mosaic."""

from __future__ import annotations

import numpy as np

from limbward.compiled import kernel
from limbward.radiance.kernels.inputs import Floats, Pixels, Table
from limbward.radiance.taps import RADIUS, STEPS


@kernel
def sample_frame(
    first: int,
    last: int,
    linear: Pixels,
    tile: tuple[int, int],
    a: Floats,
    lens: Floats,
    table: Table,
    out: Pixels,
    power: Pixels,
) -> None:
    """Interpolate linear samples (P, H, W) where ``a`` puts rows of out (3, h, w).

    ``lens`` has its axis x, y and how much of itself the distance of a pixel is drawn larger.
    NaN beyond the frame and beside samples that are NaN. ``power`` (3, h, w) gets the variance of
    a value in that of a sample.
    """
    height, width = linear.shape[1], linear.shape[2]
    th, tw = tile
    for y in range(first, last):
        for x in range(out.shape[2]):
            fx = a[0, 0] * x + a[0, 1] * y + a[0, 2]
            fy = a[1, 0] * x + a[1, 1] * y + a[1, 2]
            if lens[2] != 0.0:
                dx, dy = fx - lens[0], fy - lens[1]
                more = lens[2] * (dx * dx + dy * dy)
                fx, fy = fx + dx * more, fy + dy * more
            ix, iy = int(np.floor(fx + 0.5)), int(np.floor(fy + 0.5))
            inside = RADIUS <= ix < width - RADIUS and RADIUS <= iy < height - RADIUS
            if not inside:
                out[:, y, x] = np.float32(np.nan)
                power[:, y, x] = np.float32(0.0)
                continue
            sub_x = min(int((fx - ix + 0.5) * STEPS), STEPS - 1)
            sub_y = min(int((fy - iy + 0.5) * STEPS), STEPS - 1)
            sub, phase = sub_y * STEPS + sub_x, (iy % th) * tw + ix % tw
            for c in range(3):
                plane = table.plane[c]
                total = np.float32(0.0)
                for k in range(table.first[phase, c], table.first[phase, c + 1]):
                    sample = linear[plane, iy + table.dy[phase, k], ix + table.dx[phase, k]]
                    total += table.weight[phase, sub, k] * sample
                out[c, y, x] = total
                power[c, y, x] = table.power[phase, sub, c]
