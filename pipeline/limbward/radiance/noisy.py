"""Where a merge is so noisy that a picture of it is speckled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.disc import Disc
from limbward.radiance.scratch import thinned

Pixels = NDArray[np.float32]

NOISY = 0.1  # noise of what is seen, at the details below; a filter makes specks of it
DETAIL = 0.01  # solar radii: a pixel where 8 radii are 800 pixels across, as on a page
RING = 0.1  # solar radii
FROM, LEAST_PIXELS = 1.1, 50
SHARE = 0.5  # of the rings from there on, that are noisy too


def noisy_from(radiance: Pixels, sigma: Pixels, sun: Disc) -> tuple[float, float] | None:
    """Return from which distance on a merge is noisy, and how noisy it is half a radius further.

    Parameters
    ----------
    radiance, sigma : ndarray of float32, shape (H, W)
        Of one colour, with the sky in it, and the standard error of its pixels; NaN where nothing
        was merged.
    sun : Disc

    Returns
    -------
    tuple of float, or None
        Solar radii, and noise over brightness at details of a hundredth of a solar radius. None
        where it is clear.
    """
    step = max(1, int(min(radiance.shape) / 700))
    value, error = (thinned(image, step) for image in (radiance, sigma))
    y, x = np.indices(value.shape, dtype=np.float32)
    r = np.hypot(step * x - np.float32(sun.x), step * y - np.float32(sun.y)) / sun.radius
    known = np.isfinite(value) & np.isfinite(error) & (value > 0) & (r >= FROM)
    if not known.any():
        return None
    number = ((r[known] - FROM) / RING).astype(np.intp)
    ratio = error[known] / value[known] / max(1.0, DETAIL * sun.radius)
    order = np.argsort(number, kind="stable")
    rings, first = np.unique(number[order], return_index=True)
    parts = np.split(ratio[order], first[1:])
    noise = np.array([np.median(p) if p.size >= LEAST_PIXELS else np.nan for p in parts])
    rings, noise = rings[np.isfinite(noise)], noise[np.isfinite(noise)]
    over = noise > NOISY
    for k in np.flatnonzero(over):
        if over[k:].mean() > SHARE:
            there = min(k + round(0.5 / RING), noise.size - 1)
            return float(FROM + RING * rings[k]), float(noise[there])
    return None


def noise_warning(radiance: Pixels, sigma: Pixels, sun: Disc, frames: int) -> str:
    """Return what is to be said of a noisy merge; empty where it is clear.

    Parameters
    ----------
    radiance, sigma, sun
        As of `noisy_from`.
    frames : int
        How many were merged.
    """
    found = noisy_from(radiance, sigma, sun)
    if found is None:
        return ""
    counted = "1 merged frame" if frames == 1 else f"{frames} merged frames"
    return (
        f"From {found[0]:.1f} solar radii outwards the corona is noisy ({100 * found[1]:.0f} % of "
        f"its brightness, half a radius further): the {counted} did not gather enough light there, "
        "and the picture is speckled. Longer exposures would show it, if there are any."
    )
