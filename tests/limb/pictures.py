"""Eclipse frames drawn with exact discs, independent of the product's simulator."""

import numpy as np
from scipy.ndimage import gaussian_filter

# Neckel & Labs, Solar Physics 153 (1994) 91, continuum at 520 nm (from memory).
DARKENING = (0.30505, 1.13123, -0.78604, 0.40560, 0.02297, -0.07880)
WHITE = 15000.0


def _disc(shape, x, y, r):
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    return np.clip(r - np.hypot(cols - x, rows - y) + 0.5, 0, 1)


def _noisy(image, rng, white=WHITE, read_noise=5.0, gain=3.0):
    noisy = rng.normal(image, np.sqrt(read_noise**2 + np.maximum(image, 0) / gain))
    if white is None:
        return noisy.astype(np.float32), np.zeros(noisy.shape, bool)
    return np.minimum(noisy, white).astype(np.float32), noisy >= white


def crescent(shape, sun, moon, rng, *, level=8000.0, psf=0.9):
    """Return a filtered frame: a limb-darkened Sun behind a black Moon, each (x, y, radius)."""
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    rho = np.hypot(cols - sun[0], rows - sun[1]) / sun[2]
    mu = np.sqrt(np.clip(1 - rho**2, 0, 1))
    bright = level * np.polynomial.polynomial.polyval(mu, DARKENING)
    image = bright * _disc(shape, *sun) * (1 - _disc(shape, *moon))
    return _noisy(gaussian_filter(image, psf), rng)


def corona(
    shape,
    sun,
    moon,
    rng,
    *,
    exposure=1.0,
    psf=0.9,
    sky=50.0,
    beads=(),
    white=WHITE,
    threads=0.0,
    turn=0.0,
):
    """Return a frame of totality: Baumbach's law times streamers.

    ``beads`` are (x, y, sigma, peak); ``white`` None clips nothing; ``threads`` is the strength of
    fine structure, turned by ``turn`` radians. 1e5 ADU is one unit of the law's bracket at exposure
    1.
    """
    rows, cols = np.mgrid[: shape[0], : shape[1]]
    rho = np.maximum(np.hypot(cols - sun[0], rows - sun[1]) / sun[2], 1.0)
    angle = np.arctan2(rows - sun[1], cols - sun[0]) - turn
    law = 0.0532 * rho**-2.5 + 1.425 * rho**-7 + 2.565 * rho**-17
    streamers = 1 + 0.5 * np.cos(2 * angle) + 0.2 * np.cos(5 * angle)
    for k, phase in ((17, 0.3), (29, 1.1), (43, 2.9), (61, 4.2)):
        streamers = streamers * (1 + threads * np.cos(k * angle + phase + 2.0 * np.log(rho)))
    image = exposure * 1e5 * law * streamers * (1 - _disc(shape, *moon))
    for x, y, sigma, peak in beads:
        image += peak * np.exp(-((cols - x) ** 2 + (rows - y) ** 2) / (2 * sigma**2))
    return _noisy(gaussian_filter(image, psf) + exposure * sky, rng, white)
