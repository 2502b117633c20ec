"""Smoothing where the noise asks for it, and filling of gaps for the eye."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt

from limbward.blur import gaussian_blur

Pixels = NDArray[np.float32]

BLURS_PX = (1.0, 2.0, 4.0, 8.0, 16.0)
CORRELATION_PX = 0.8  # the noise of the merge is itself as if blurred by this


def _along_rows(image: Pixels) -> None:
    """Give missing pixels the nearest value in their row, in place."""
    height, width = image.shape
    for y in prange(height):
        last = -1
        for x in range(width):
            if np.isfinite(image[y, x]):
                for gap in range(last + 1, x):
                    nearer = last if last >= 0 and gap - last <= x - gap else x
                    image[y, gap] = image[y, nearer]
                last = x
        if last >= 0:
            for gap in range(last + 1, width):
                image[y, gap] = image[y, last]


along_rows = njit(parallel=True, nogil=True, cache=True)(_along_rows)


def fill_nearest(image: Pixels, box: tuple[slice, slice] | None = None) -> Pixels:
    """Return the picture with its missing pixels taken from near known ones.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
    box : (slice, slice), optional
        Rows and columns in which the nearest pixel is searched in all directions, which takes 100
        bytes a pixel; elsewhere it is the nearest in the row. Everywhere if not given.
    """
    missing = ~np.isfinite(image)
    if not missing.any() or missing.all():
        return image
    out = image.copy()
    box = box or (slice(None), slice(None))
    gap = missing[box]
    if gap.any() and not gap.all():
        at = distance_transform_edt(gap, return_distances=False, return_indices=True)
        out[box][gap] = image[box][at[0][gap], at[1][gap]]
    along_rows(out)
    empty = ~np.isfinite(out[:, 0])  # rows in which nothing is known
    if empty.any():
        full = np.nonzero(~empty)[0]
        rows = np.nonzero(empty)[0]
        out[rows] = out[full[np.abs(full[None, :] - rows[:, None]).argmin(axis=1)]]
    return out


def smooth_to_noise(image: Pixels, noise: Pixels, target: float) -> Pixels:
    """Return a picture blurred just so much that its noise falls to a target.

    Parameters
    ----------
    image, noise : ndarray of float32, shape (H, W)
        Without gaps; the noise is one standard deviation.
    target : float
        Noise that may stay.

    Returns
    -------
    ndarray of float32, shape (H, W)
        Each pixel lies between two of a series of Gaussian blurs, the widest 16 pixels.

    Notes
    -----
    White noise blurred by a Gaussian of width s falls by ``1 / (2 sqrt(pi) s)``.
    """
    falls = [1.0] + [
        min(1.0, 1.0 / (2.0 * np.sqrt(np.pi) * np.hypot(s, CORRELATION_PX)) * 2.0) for s in BLURS_PX
    ]
    wanted = np.maximum(noise, np.float32(1e-12))
    np.divide(np.float32(target), wanted, out=wanted)
    np.clip(wanted, min(falls), 1.0, out=wanted)
    np.log(wanted, out=wanted)
    out = image.copy()
    for k, s in enumerate(BLURS_PX):
        high, low = np.log(falls[k]), np.log(falls[k + 1])
        part = np.float32(high) - wanted
        part *= np.float32(1.0 / (high - low))
        np.clip(part, 0.0, 1.0, out=part)
        if not (part > 0.0).any():
            break
        blurred = gaussian_blur(image, s)
        blurred -= out
        blurred *= part
        out += blurred
    return out
