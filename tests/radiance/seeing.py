"""Short exposures of the Sun's edge through moving air, painted without the package.

Each picture is warped by a smooth field of shifts, blurred by another amount in each of its parts,
and noisy. With the standard values the long exposure's blur is 2 arcsec (full width at half
maximum) at 1 arcsec a pixel.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy import ndimage

MARGIN = 10  # pixels, which the Sun may wander
BLURS = np.array([0.3, 0.6, 0.9, 1.3])  # standard deviations, pixels


def sharp(shape=(144, 164), oversample=4, seed=1):
    """The Sun's edge with darkening, granules and a few spots, (H, W), 1 at the disc's centre."""
    h, w = shape[0] * oversample, shape[1] * oversample
    rng = np.random.default_rng(seed)
    y, x = (np.mgrid[:h, :w] + 0.5) / oversample - 0.5
    r = np.hypot(x - 40.0, y - 300.0) / 240.0
    mu = np.sqrt(np.clip(1 - r**2, 0, None))
    disc = np.where(r < 1, 0.3 + 0.93 * mu - 0.23 * mu**2, 0.0)
    grain = ndimage.gaussian_filter(rng.standard_normal((h, w)), 1.2 * oversample)
    scene = disc * (1 + 0.08 * grain / grain.std())
    for _ in range(6):
        cx, cy = rng.uniform(0, shape[1]), rng.uniform(80, shape[0])
        scene *= 1 - 0.7 * (np.hypot(x - cx, y - cy) < rng.uniform(1.5, 4.0))
    return scene.reshape(shape[0], oversample, shape[1], oversample).mean(axis=(1, 3))


@cache
def spread(few, reach, size):
    """By how much each of a few knots of a cubic spline counts at each of many places."""
    return ndimage.zoom(np.eye(few), (reach, 1), order=3)[:size]


def field(rng, shape, reach):
    """A smooth random field of unit variance."""
    small = [max(4, int(n / reach) + 3) for n in shape]
    noise = rng.standard_normal(small)
    down, across = (spread(k, reach, n) for k, n in zip(small, shape, strict=True))
    return down @ noise @ across.T / 0.75


def exposures(
    count, scene, *, seed=2, full_scale=3000.0, noise=60.0, wander=0.8, warp=0.45, blurs=None
):
    """Yield pictures as 12-bit numbers; a list ``blurs`` gets the mean blur of each.

    ``wander`` and ``warp`` are the standard deviations of the shift of the whole and of its parts,
    pixels.
    """
    stack = [
        ndimage.spline_filter(ndimage.gaussian_filter(scene, s), mode="nearest") for s in BLURS
    ]
    shape = scene.shape
    y, x = np.mgrid[: shape[0], : shape[1]].astype(float)
    rng = np.random.default_rng(seed)
    for _ in range(count):
        dx, dy = (wander * rng.standard_normal() + warp * field(rng, shape, 24) for _ in range(2))
        level = 1.6 + 0.35 * rng.standard_normal() + 0.6 * field(rng, shape, 32)
        level = np.clip(level, 0.0, len(BLURS) - 1.001)
        place = [y + dy, x + dx]
        if blurs is not None:
            blurs.append(float(np.interp(level, range(len(BLURS)), BLURS).mean()))
        light = np.zeros(shape)
        for k in range(len(BLURS)):
            share = np.clip(1 - np.abs(level - k), 0, None)
            if share.any():
                some = share > 0
                there = [p[some] for p in place]
                seen = ndimage.map_coordinates(stack[k], there, mode="nearest", prefilter=False)
                light[some] += share[some] * seen
        grain = noise * rng.standard_normal(shape)
        yield np.clip(np.rint(full_scale * light + 100 + grain), 0, 4095).astype(np.uint16)


def contrast_kept(picture, scene, window=48, band=(0.08, 0.25)):
    """Return how much of the scene's fine contrast a picture keeps, the mean over windows.

    In each window the picture is moved onto the scene (by the peak of their correlation, finely
    sampled) and the part of the scene's waves of a band, cycles a pixel, that it shows is told.
    """
    f = np.hypot(*np.meshgrid(np.fft.fftfreq(window), np.fft.fftfreq(window)))
    inside = (f > band[0]) & (f < band[1])
    hann = np.outer(np.hanning(window), np.hanning(window))
    kept = []
    for y in range(MARGIN + 40, scene.shape[0] - window - MARGIN + 1, 24):
        for x in range(MARGIN, scene.shape[1] - window - MARGIN + 1, 24):
            a, b = (im[y : y + window, x : x + window] for im in (picture, scene))
            fa, fb = (np.fft.fft2((im - im.mean()) * hann) for im in (a, b))
            cross = np.where(inside, fa * np.conj(fb), 0)
            fine = np.zeros((4 * window, 4 * window), complex)
            half = window // 2
            for rows in (slice(0, half), slice(-half, None)):
                for columns in (slice(0, half), slice(-half, None)):
                    fine[rows, columns] = cross[rows, columns]
            kept.append(np.fft.ifft2(fine).real.max() * 16 / np.mean(np.abs(fb * inside) ** 2))
    return float(np.mean(kept))
