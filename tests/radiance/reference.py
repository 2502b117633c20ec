"""The merge of one frame in plain NumPy, pixel by pixel as its description says."""

from functools import cache

import numpy as np

# What the merge promises, written down here once more: whoever changes one of them in the product
# changes the promise, and has to do it here too.
EDGE_FADE_PX = 24.0
KERNEL_REACH_PX = 1.2
MOON_FADE_PX = 0.5
CEILING_FADE = 0.01  # in the logarithm of the signal
SHARPER = 16.0
RADIUS = 2
STEPS = 32  # places of a pixel along each axis
SUPPORT_PX = {"quincunx": 2.0, "quarter": 2.5, "all": np.sqrt(2.0)}  # of Bayer's green; red, blue
PEAK = 7
PULL = 3e-5
NEGLIGIBLE = 3e-4


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


def noise_variance(signal, noise):
    """Photons, read-out, and unequal pixels, ADU squared; no light is darker than none."""
    light = max(signal, 0.0)
    return noise.gain * light + noise.read**2 + (noise.spread * light) ** 2


def rounded(place):
    """Return the middle of the step that a place between the pixels, -0.5 to 0.5, lies in."""
    return (np.floor((place + 0.5) * STEPS) + 0.5) / STEPS - 0.5


@cache
def plane_fit(offsets, place, support):
    """Return the weights that a plane fitted to samples by least squares gives its value there."""
    away = np.array(offsets, float).reshape(-1, 2) - place
    k = np.clip(1.0 - (np.hypot(*away.T) / support) ** 2, 0.0, None) ** PEAK
    # The slope is pulled to zero by as many more equations, that say that it is.
    pull = np.sqrt(PULL * k.sum()) * np.eye(3)[1:]
    design = np.vstack([np.sqrt(k)[:, None] * np.column_stack([np.ones(len(k)), away]), pull])
    weights = np.linalg.pinv(design)[0, : len(k)] * np.sqrt(k)
    weights[np.abs(weights) < NEGLIGIBLE * np.abs(weights).sum()] = 0.0
    return weights / weights.sum()


def support_of(mine):
    """Return the window's end for a colour, from how much of the tile is of it."""
    return SUPPORT_PX[{1.0: "all", 0.5: "quincunx", 0.25: "quarter"}[float(mine.mean())]]


def taps_at(pattern, c, iy, ix, fy, fx):
    """Return rows, columns and weights of the samples of colour c for a place near (iy, ix)."""
    th, tw = pattern.shape
    yy, xx = np.mgrid[iy - RADIUS : iy + RADIUS + 1, ix - RADIUS : ix + RADIUS + 1]
    every = pattern.size == 1
    mine = np.ones(yy.shape, bool) if every else pattern[yy % th, xx % tw] == c
    support = support_of(np.ones(1) if every else pattern == c)
    offsets = tuple(zip((yy[mine] - iy).tolist(), (xx[mine] - ix).tolist(), strict=True))
    place = (float(rounded(fy - iy)), float(rounded(fx - ix)))
    return yy[mine], xx[mine], plane_fit(offsets, place, support)


def gathered(image, pattern, frame, sharp, place, margin, shape, flat=None, predicted=None):
    """Return light, weight and variance (3, H, W) of one frame.

    ``flat`` is what samples were multiplied by, ``predicted`` the radiance on the small grid.
    """
    out = np.zeros((3, 3, *shape))
    height, width = image.shape
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
            at = y * place[0] + place[2], x * place[0] + place[1]
            for c in range(3):
                rows, columns, w = taps_at(pattern, c, iy, ix, fy, fx)
                value, power = (w * image[rows, columns]).sum(), (w**2).sum()
                level, s = bilinear(frame.weight[c], *at), bilinear(sharp[c], *at)
                if predicted is not None:
                    below = np.log(frame.top[c]) - bilinear(np.log(predicted[c]), *at)
                    level *= smooth(below / CEILING_FADE)
                k = level * fade * ((1.0 - s) / power + s * SHARPER * power**3)
                noise = noise_variance(value, frame.noise) * power
                if flat is not None:  # the photons' noise is raised with the signal
                    noise *= flat[iy, ix]
                out[0, c, y, x] = k * (value - frame.offset[c]) / frame.exposure_s
                out[1, c, y, x] = k
                out[2, c, y, x] = k * k * noise / frame.exposure_s**2
    return out
