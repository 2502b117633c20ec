"""Where a merge is as deep as inside of there, and where only its shortest exposures reach."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.disc import Disc

Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]

GREEN = 1
# Noise against that of the deepest ring nearer to the Sun. A medium exposure of a bracket next to
# the long ones has 4 to 6 times theirs, the shortest a hundred times.
TIMES = 8.0
LONGEST = 512  # samples along the longer side
SPECKS = 5  # samples; hot pixels and other specks of noise smaller than this are no edge
WITHIN = 1.1  # solar radii: nearer the Sun short exposures are all there is


def shallow(sigma: Pixels, sun: Disc) -> Mask | None:
    """Return where a merge is far noisier than nearer to the Sun; None if nowhere.

    Frames that were taken while the Sun wandered leave margins that only some of them saw. Where
    those are the shortest exposures, the margin is noise that no stretch of contrast may see.

    Parameters
    ----------
    sigma : ndarray of float32, shape (H, W)
        Standard error of a pixel of one colour, NaN where nothing was merged.
    sun : Disc
        In it.

    Returns
    -------
    ndarray of bool, shape (H, W), or None
    """
    step = max(1, -(-max(sigma.shape) // LONGEST))
    small = np.where(np.isfinite(sigma[::step, ::step]), sigma[::step, ::step], np.inf)
    y, x = np.indices(small.shape)
    ring = (np.hypot(x * step - sun.x, y * step - sun.y) / step).astype(np.intp)
    deepest = np.full(int(ring.max()) + 1, np.inf)
    known = np.isfinite(small) & (ring > WITHIN * sun.radius / step)
    if not known.any():
        return None
    rings = np.unique(ring[known])
    deepest[rings] = ndimage.median(small, np.where(known, ring, -1), rings)
    deepest = np.minimum.accumulate(deepest)
    merged = np.isfinite(small)
    noise = np.zeros(small.shape)
    np.divide(small, deepest[ring], out=noise, where=np.isfinite(deepest[ring]))
    # A margin is no speck; it reaches from there to its last noisy sample, and one beyond.
    noisy = (ndimage.median_filter(noise, SPECKS, mode="nearest") > TIMES) & merged
    if not noisy.any():
        return None
    noisy = ndimage.binary_propagation(noisy | ~merged, mask=(noise > TIMES) | ~merged)
    noisy = ndimage.binary_dilation(noisy & merged & _open(noisy))
    return np.repeat(np.repeat(noisy, step, 0), step, 1)[: sigma.shape[0], : sigma.shape[1]]


def _open(mask: Mask) -> Mask:
    """Return the parts of a mask that reach the picture's edge.

    A corona beside the Moon that longer exposures clip and few short ones show is no margin: it is
    bright, and its noise a hundredth of it.
    """
    labels, _ = ndimage.label(mask)
    edges = np.concatenate([labels[0], labels[-1], labels[:, 0], labels[:, -1]])
    return np.isin(labels, edges[edges > 0])


def hide_shallow(image: Pixels, sigma: Pixels | None, sun: Disc) -> None:
    """Make NaN of what is `shallow` in a merge (3, H, W), in place.

    Parameters
    ----------
    image : ndarray of float32, shape (3, H, W)
    sigma : ndarray of float32, shape (H, W), or None
        Of green; without it nothing is hidden.
    sun : Disc
    """
    margin = None if sigma is None else shallow(sigma, sun)
    if margin is not None:
        image[:, margin] = np.nan
