"""What optics, air and mount spread of a scene: motion, a core, and wings of scattered light."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import gaussian_filter

from limbward.compiled import kernel
from limbward.simulate.coarse import binned, cell_at, fill_line
from limbward.simulate.corona import PINK_TOP
from limbward.simulate.scene import Placement, Scene

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

# Scattered light round every bright point: (fraction, Gaussian sigma in arcsec).
WINGS = ((0.006, 12.0), (0.0015, 60.0), (0.0004, 300.0))
CELLS_ACROSS = 1300  # the wings are computed on a grid of at most about this many cells


def _trail(image: Pixels, dx: float, dy: float) -> Pixels:
    """Smear an image along a straight path of (dx, dy) pixels centred on where it was."""
    length = math.hypot(dx, dy)
    steps = max(2, math.ceil(length * 1.5))
    weights: dict[tuple[int, int], float] = {}
    for k in range(steps):
        t = (k + 0.5) / steps - 0.5
        x, y = t * dx, t * dy
        i, j = math.floor(y), math.floor(x)
        fi, fj = y - i, x - j
        for di, wi in ((0, 1 - fi), (1, fi)):
            for dj, wj in ((0, 1 - fj), (1, fj)):
                key = (i + di, j + dj)
                weights[key] = weights.get(key, 0.0) + wi * wj / steps
    pad = max(max(abs(i), abs(j)) for i, j in weights)
    padded = np.pad(image, pad, mode="edge")
    rows, columns = image.shape
    out = np.zeros_like(image)
    for (i, j), weight in weights.items():
        # Light at (y, x) goes to (y + i, x + j).
        part = padded[pad - i : pad - i + rows, pad - j : pad - j + columns]
        out += np.float32(weight) * part
    return out


@lru_cache(maxsize=2)
def _transfer(size: tuple[int, int], sigmas: tuple[float, ...]) -> Floats:
    """Return the wings' transfer function, sigmas in cells: that of all frames of a camera."""
    fy, fx = np.fft.fftfreq(size[0]), np.fft.rfftfreq(size[1])
    total = np.zeros((len(fy), len(fx)))
    for (fraction, _), sigma in zip(WINGS, sigmas, strict=True):
        gy = np.exp(-2 * (np.pi * sigma * fy) ** 2)
        gx = np.exp(-2 * (np.pi * sigma * fx) ** 2)
        total += fraction * gy[:, None] * gx
    return total


def _wings(image: Pixels, scale_arcsec: float) -> tuple[Floats, int]:
    """Return the scattered light of an image on a coarser grid, and the cell size in pixels."""
    rows, columns = image.shape
    cell = max(1, math.ceil(max(rows, columns) / CELLS_ACROSS))
    coarse = binned(image, cell)
    h, w = coarse.shape
    sigmas = tuple(s / scale_arcsec / cell for _, s in WINGS)
    margin = math.ceil(3 * max(sigmas))
    size = (
        fft.next_fast_len(h + margin, real=True),
        fft.next_fast_len(w + margin, real=True),
    )
    # Double precision: a bead of photosphere is 1e9 times brighter than the sky beside it.
    spread = fft.irfft2(fft.rfft2(coarse, size) * _transfer(size, sigmas), size)[:h, :w]
    return np.maximum(spread, 0.0), cell


def _add_wings_kernel(image: Any, coarse: Any, cell: int, core: float) -> None:
    rows, columns = image.shape
    h, w = coarse.shape
    line = np.empty(w)
    for y in range(rows):
        i, fi = cell_at(y, cell, h)
        fill_line(coarse, i, fi, line)
        for x in range(columns):
            j, fj = cell_at(x, cell, w)
            image[y, x] = core * image[y, x] + line[j] * (1.0 - fj) + line[j + 1] * fj


_add_wings = kernel(_add_wings_kernel)


def blur(scene: Scene, place: Placement, psf_sigma_px: float) -> Scene:
    """Return the scene as the optics, the air and the mount spread it.

    Parameters
    ----------
    scene : Scene
    place : Placement
    psf_sigma_px : float
        Gaussian core. The wings are ``WINGS``; they take their light from the core.
    """
    white, pink = scene.white, scene.pink
    trailed = math.hypot(place.trail_x, place.trail_y) > 0.05
    if trailed:
        white = _trail(white, place.trail_x, place.trail_y)
    white = gaussian_filter(white, psf_sigma_px, truncate=4.0, mode="nearest")
    coarse, cell = _wings(white, place.pixel_scale_arcsec)
    _add_wings(white, coarse, cell, 1.0 - sum(fraction for fraction, _ in WINGS))

    # The pink light lies in a ring round the Sun; only its box is worth blurring.
    reach = PINK_TOP * place.sun_radius_arcsec / place.pixel_scale_arcsec + 8 * psf_sigma_px
    reach += abs(place.trail_x) + abs(place.trail_y) + 2
    rows = slice(max(0, int(place.sun_y - reach)), max(0, int(place.sun_y + reach) + 1))
    columns = slice(max(0, int(place.sun_x - reach)), max(0, int(place.sun_x + reach) + 1))
    box = pink[rows, columns]
    if box.size:
        if trailed:
            box = _trail(box, place.trail_x, place.trail_y)
        pink[rows, columns] = gaussian_filter(box, psf_sigma_px, truncate=4.0, mode="nearest")
    return Scene(white, pink)
