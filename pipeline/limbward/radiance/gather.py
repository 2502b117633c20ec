"""The kernel of the merge: one frame's samples added to the running sums."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from limbward.radiance import taps

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

EDGE_FADE_PX = 24.0  # over which a frame's weight falls to nothing at its edges
STEPS = taps.STEPS
RADIUS = taps.RADIUS
MIN_SHARE = 0.4  # of the samples' weight that must be left beside hot ones


def _gather(
    image: Pixels,
    inverse_flat: Pixels,
    affine: Floats,
    tile: NDArray[np.int64],
    shift: NDArray[np.int64],
    first: NDArray[np.int32],
    tap_weight: Pixels,
    tap_power: Pixels,
    plane: NDArray[np.int32],
    weight_map: Pixels,
    map_affine: Floats,
    moon: Floats,
    inside: bool,
    inverse_exposure: float,
    offset: Floats,
    gain: float,
    read2: float,
    spread2: float,
    light: Pixels,
    weight: Pixels,
    variance: Pixels,
    count: NDArray[np.uint16],
) -> None:
    """Add one frame to the sums.

    ``image`` (P, H * W) is calibrated, infinite where saturated, NaN where hot. ``shift`` are the
    taps' places in it. ``map_affine`` (scale, x0, y0) takes pixels of the result to the weight
    map. ``moon`` is (x, y, radius, fade): the disc is left out, or only it is used if ``inside``.
    ``tile`` is (th, tw, H, W).
    """
    th, tw, in_height, in_width = tile[0], tile[1], tile[2], tile[3]
    out_height, out_width = light.shape[1], light.shape[2]
    map_height, map_width = weight_map.shape[1], weight_map.shape[2]
    use_flat = inverse_flat.size > 0
    sign = -1.0 if inside else 1.0
    reject2 = moon[2] * moon[2]
    accept2 = (moon[2] + sign * moon[3]) ** 2
    for y in prange(out_height):
        row = np.empty((3, map_width), np.float32)
        v = min(max(map_affine[0] * y + map_affine[2], 0.0), map_height - 1.0)
        v0 = min(int(v), map_height - 2) if map_height > 1 else 0
        fv = np.float32(v - v0)
        v1 = min(v0 + 1, map_height - 1)
        for c in range(3):
            for k in range(map_width):
                row[c, k] = weight_map[c, v0, k] * (1 - fv) + weight_map[c, v1, k] * fv
        for x in range(out_width):
            u = min(max(map_affine[0] * x + map_affine[1], 0.0), map_width - 1.0)
            u0 = int(u)
            fu = np.float32(u - u0)
            u1 = min(u0 + 1, map_width - 1)
            w0 = row[0, u0] * (1 - fu) + row[0, u1] * fu
            w1 = row[1, u0] * (1 - fu) + row[1, u1] * fu
            w2 = row[2, u0] * (1 - fu) + row[2, u1] * fu
            if w0 <= 0.0 and w1 <= 0.0 and w2 <= 0.0:
                continue
            fx = affine[0, 0] * x + affine[0, 1] * y + affine[0, 2]
            fy = affine[1, 0] * x + affine[1, 1] * y + affine[1, 2]
            edge = min(min(fx, in_width - 1 - fx), min(fy, in_height - 1 - fy)) - RADIUS - 0.5
            if edge <= 0.0:
                continue
            fade = np.float32(1.0)
            if edge < EDGE_FADE_PX:
                t = np.float32(edge / EDGE_FADE_PX)
                fade = t * t * (3 - 2 * t)
            d2 = (fx - moon[0]) ** 2 + (fy - moon[1]) ** 2
            if sign * (d2 - reject2) <= 0.0:
                continue
            if sign * (d2 - accept2) < 0.0:
                t = np.float32(sign * (np.sqrt(d2) - moon[2]) / moon[3])
                fade *= t * t * (3 - 2 * t)
            ix, iy = int(fx + 0.5), int(fy + 0.5)
            sub = int((fy - iy + 0.5) * STEPS) * STEPS + int((fx - ix + 0.5) * STEPS)
            phase = (iy % th) * tw + ix % tw
            base = iy * in_width + ix
            flat = inverse_flat[0, base] if use_flat else np.float32(1.0)
            hit = False
            for c in range(3):
                w = w0 if c == 0 else (w1 if c == 1 else w2)
                if w <= 0.0:
                    continue
                p = plane[c]
                value = np.float32(0.0)
                for k in range(first[phase, c], first[phase, c + 1]):
                    value += tap_weight[phase, sub, k] * image[p, base + shift[phase, k]]
                power = tap_power[phase, sub, c]
                if not np.isfinite(value):
                    # A hot sample is left out and the others fill in; a saturated one spoils all.
                    value, power, got = np.float32(0.0), np.float32(0.0), np.float32(0.0)
                    for k in range(first[phase, c], first[phase, c + 1]):
                        part = tap_weight[phase, sub, k]
                        sample = image[p, base + shift[phase, k]]
                        if sample == np.inf:
                            got = np.float32(-1e9)
                        elif not np.isnan(sample):
                            value += part * sample
                            power += part * part
                            got += part
                    if got < MIN_SHARE:
                        continue
                    value /= got
                    power /= got * got
                w = w * fade / power
                noise2 = gain * value * flat + read2 * flat * flat + spread2 * value * value
                light[c, y, x] += w * np.float32((value - offset[c]) * inverse_exposure)
                weight[c, y, x] += w
                variance[c, y, x] += w * w * np.float32(noise2 * power * inverse_exposure**2)
                hit = True
            if hit:
                count[y, x] += 1


gather = njit(parallel=True, nogil=True, cache=True, fastmath={"contract", "reassoc", "nsz"})(
    _gather
)
