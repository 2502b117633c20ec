"""The merge of one frame in plain NumPy, pixel by pixel as its description says."""

import numpy as np

from limbward.radiance.gather import EDGE_FADE_PX, SHARPER
from limbward.radiance.merge import KERNEL_REACH_PX, MOON_FADE_PX
from limbward.radiance.taps import RADIUS, linear_weights, window_of


def smooth(t):
    t = np.clip(t, 0.0, 1.0)
    return t * t * (3 - 2 * t)


def bilinear(image, y, x):
    y, x = np.clip(y, 0, image.shape[0] - 1), np.clip(x, 0, image.shape[1] - 1)
    y0, x0 = min(int(y), image.shape[0] - 2), min(int(x), image.shape[1] - 2)
    fy, fx = y - y0, x - x0
    top = image[y0, x0] * (1 - fx) + image[y0, x0 + 1] * fx
    low = image[y0 + 1, x0] * (1 - fx) + image[y0 + 1, x0 + 1] * fx
    return top * (1 - fy) + low * fy


def gathered(image, pattern, frame, sharp, place, margin, shape):
    """Return light, weight and variance (3, H, W); samples at the true place, not the rounded."""
    out = np.zeros((3, 3, *shape))
    th, tw = pattern.shape
    height, width = image.shape
    windows = [window_of(pattern == c) for c in range(3)]
    r0 = frame.moon.radius + margin + KERNEL_REACH_PX
    for y in range(shape[0]):
        for x in range(shape[1]):
            fx, fy = frame.affine @ np.array([x, y, 1.0])
            edge = min(fx, fy, width - 1 - fx, height - 1 - fy) - RADIUS - 0.5
            d = np.hypot(fx - frame.moon.x, fy - frame.moon.y)
            if edge <= 0 or d <= r0:
                continue
            fade = smooth(edge / EDGE_FADE_PX) * smooth((d - r0) / MOON_FADE_PX)
            ix, iy = int(np.floor(fx + 0.5)), int(np.floor(fy + 0.5))
            yy, xx = np.mgrid[iy - RADIUS : iy + RADIUS + 1, ix - RADIUS : ix + RADIUS + 1]
            for c in range(3):
                mine = pattern[yy % th, xx % tw] == c
                offset = np.column_stack([yy[mine] - iy, xx[mine] - ix]).astype(float)
                w = linear_weights(offset, np.array([[fy - iy, fx - ix]]), windows[c])[0]
                sample = image[yy[mine], xx[mine]]
                if np.isinf(sample).any():
                    continue
                keep = ~np.isnan(sample)
                share = w[keep].sum()
                if share < 0.4:
                    continue
                value = (w[keep] * sample[keep]).sum() / share
                power = (w[keep] ** 2).sum() / share**2
                at = y * place[0] + place[2], x * place[0] + place[1]
                level, s = bilinear(frame.weight[c], *at), bilinear(sharp[c], *at)
                k = level * fade * ((1.0 - s) / power + s * float(SHARPER) * power**3)
                noise = frame.noise
                spread = noise.gain * value + noise.read**2 + (noise.spread * value) ** 2
                out[0, c, y, x] = k * (value - frame.offset[c]) / frame.exposure_s
                out[1, c, y, x] = k
                out[2, c, y, x] = k * k * spread * power / frame.exposure_s**2
    return out
