"""What the lens does: seeing, focus, trailing, aureole, glare, a ghost, vignetting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, sparse
from scipy.special import j1

BIN = 4


@dataclass(frozen=True)
class Optics:
    """Aureole in parts of the light, lengths in px."""

    aureole: float = 0.001
    aureole_core: float = 12.0
    aureole_reach: float = 120.0
    aureole_power: float = 2.5
    glare: float = 0.0003  # of the mean light, spread evenly
    ghost: float = 0.0
    ghost_blur: float = 12.0
    vignetting: float = 0.12
    lateral: tuple[float, float] = (0.0, 0.0)  # scale of R and B against G
    lens_blur: float = 0.45  # px, sigma


FINE = 5  # samples a pixel when the core is computed


def core_kernel(
    seeing_px: float, blur_px: float, focus_px: float, motion: tuple[float, float]
) -> np.ndarray:
    """Point spread of the core by pixels, no negative values, its sum is 1.

    ``seeing_px`` is the FWHM of the long exposure, ``focus_px`` the radius of the defocused disc.
    """
    half = int(np.ceil(4 + 3 * seeing_px + 3 * blur_px + focus_px + np.hypot(*motion) / 2))
    n = (2 * half + 1) * FINE
    fy = fft.fftfreq(n)[:, None] * FINE
    fx = fft.rfftfreq(n)[None, :] * FINE
    f = np.hypot(fx, fy)
    # D. L. Fried, JOSA 56 (1966) 1372: exp(-3.44 (f lambda / r0)^(5/3)), FWHM = 0.976 lambda / r0.
    otf = np.exp(-3.44 * (f * seeing_px / 0.976) ** (5 / 3) - 2 * (np.pi * blur_px * f) ** 2)
    if focus_px > 0:
        z = 2 * np.pi * focus_px * np.maximum(f, 1e-9)
        otf *= 2 * j1(z) / z
    otf *= np.sinc(fx * motion[0] + fy * motion[1])
    fine = np.maximum(fft.fftshift(fft.irfft2(otf, (n, n))), 0)
    kernel = fine.reshape(2 * half + 1, FINE, 2 * half + 1, FINE).sum((1, 3))
    return (kernel / kernel.sum()).astype(np.float32)


def aureole_kernel(optics: Optics, step: float) -> np.ndarray:
    """Wings on a grid of ``step`` px, their sum is 1."""
    n = int(np.ceil(optics.aureole_reach / step))
    y, x = np.mgrid[-n : n + 1, -n : n + 1] * step
    r = np.hypot(x, y)
    wings = (1 + (r / optics.aureole_core) ** 2) ** (-optics.aureole_power / 2)
    wings *= np.clip((optics.aureole_reach - r) / optics.aureole_reach * 4, 0, 1)
    return (wings / wings.sum()).astype(np.float32)


def spread(plane: np.ndarray, kernel: np.ndarray) -> np.ndarray:
    """Convolution with zero outside, same shape as ``plane``."""
    full = [a + b - 1 for a, b in zip(plane.shape, kernel.shape, strict=True)]
    shape = [fft.next_fast_len(n, real=True) for n in full]
    out = fft.irfft2(fft.rfft2(plane, shape) * fft.rfft2(kernel, shape), shape)
    oy, ox = kernel.shape[0] // 2, kernel.shape[1] // 2
    return out[oy : oy + plane.shape[0], ox : ox + plane.shape[1]]


def binned(plane: np.ndarray) -> np.ndarray:
    h, w = (n // BIN * BIN for n in plane.shape)
    return plane[:h, :w].reshape(h // BIN, BIN, w // BIN, BIN).mean((1, 3))


def _taps(n: int, coarse: int, start: float) -> sparse.csr_matrix:
    """(n, coarse) linear interpolation; coarse sample k lies at start + (k + 0.5) BIN - 0.5."""
    at = np.clip((np.arange(n) - start + 0.5) / BIN - 0.5, 0, coarse - 1.001)
    i = at.astype(int)
    part = (at - i).astype(np.float32)
    values = np.stack([1 - part, part], 1).ravel()
    columns = np.stack([i, i + 1], 1).ravel()
    return sparse.csr_matrix((values, columns, np.arange(0, 2 * n + 1, 2)), (n, coarse))


def enlarge(coarse: np.ndarray, shape: tuple[int, int], start: tuple[float, float]) -> np.ndarray:
    """Back to pixels; the coarse grid begins at pixel ``start`` (y, x)."""
    down = _taps(shape[0], coarse.shape[0], start[0])
    across = _taps(shape[1], coarse.shape[1], start[1])
    return np.ascontiguousarray((across @ (down @ coarse).T).T)


def vignette(optics: Optics, x: np.ndarray, y: np.ndarray, middle, corner: float) -> np.ndarray:
    q = ((x - middle[0])[None, :] ** 2 + (y - middle[1])[:, None] ** 2) / corner**2
    return (1 - optics.vignetting * q - 0.3 * optics.vignetting * q**2).astype(np.float32)
