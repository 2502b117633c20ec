"""Radial histogram equalisation: every annulus gets an even distribution of brightness.

Each pixel is replaced by its rank among the n pixels of its annulus, counted from 0, as
``sqrt(12) ((rank + 1/2) / n - 1/2)``: a uniform distribution with mean 0 and deviation 1. Ranks
are counted in 2049 bins of z / (1 + abs(z)), and interpolated in a bin. This is histogram
equalisation in annuli; the picture is normalised by annuli first, so that the fall of the corona
across the width of an annulus has no say.

At small and at large radius: contrast is spread evenly at all heights whatever its cause, so the
noise far out looks as strong as structure, and a few bright prominences do not outshine the rest
close to the limb. Annuli not seen whole (``coverage``) take the ranks from the nearest whole one,
as if what they do not show went on as it is there; by themselves they would show an arc where the
circle leaves the frame.

References
----------
Histogram equalisation: E. L. Hall, *Almost uniform distributions for computer image enhancement*,
IEEE Trans. Computers C-23 (1974) 207.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import in_threads, kernel
from limbward.filters.flattened import Flat, RingParams, by_plane, nearest
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]

NORMALISES = True
BINS = 2049  # odd, so that equal values in a ring get the middle rank
BANDS = 2


class Params(RingParams):
    """Parameters of the filter."""


@kernel
def count_bands(
    first: int,
    last: int,
    z: Pixels,
    visible: NDArray[np.bool_],
    sun_x: float,
    sun_y: float,
    width: float,
    counts: NDArray[np.int32],
) -> None:
    """Count the pixels of each ring in bins of brightness, by bands of rows."""
    height, columns = z.shape
    bands, _, bins = counts.shape
    for band in range(first, last):
        for y in range(band * height // bands, (band + 1) * height // bands):
            dy = y - sun_y
            for x in range(columns):
                v = z[y, x]
                if visible[y, x] and np.isfinite(v):
                    k = int(np.sqrt((x - sun_x) ** 2 + dy * dy) / width)
                    u = 0.5 + 0.5 * v / (1.0 + abs(v))
                    counts[band, k, min(int(u * bins), bins - 1)] += 1


@kernel
def ranks(
    first: int,
    last: int,
    z: Pixels,
    sun_x: float,
    sun_y: float,
    width: float,
    source: NDArray[np.int64],
    below: Pixels,
    out: Pixels,
) -> None:
    """Write the ranks; ``below`` holds, for each ring, the share of pixels below each bin."""
    columns = z.shape[1]
    bins = below.shape[1] - 1
    scale = np.sqrt(12.0)
    for y in range(first, last):
        dy = y - sun_y
        for x in range(columns):
            v = z[y, x]
            k = source[int(np.sqrt((x - sun_x) ** 2 + dy * dy) / width)]
            at = (0.5 + 0.5 * v / (1.0 + abs(v))) * bins
            if not np.isfinite(at):
                out[y, x] = np.float32(np.nan)
                continue
            i = min(int(at), bins - 1)
            p = at - i
            share = below[k, i] * (1.0 - p) + below[k, i + 1] * p
            out[y, x] = np.float32(scale * (share - 0.5))


def equalise(flat: Flat, geometry: Geometry) -> Pixels:
    """Return the ranks of a plane (H, W)."""
    z, width = flat.z, flat.width_px
    rings = len(flat.polar.count)
    counts = np.zeros((BANDS, rings, BINS), np.int32)
    visible = geometry.visible(*z.shape)
    sun = geometry.sun_x, geometry.sun_y
    in_threads(count_bands, BANDS, z, visible, *sun, width, counts)
    total = counts.sum(axis=0, dtype=np.int32)
    del counts
    number = total.sum(axis=1)
    below = np.zeros((rings, BINS + 1), np.float32)
    np.cumsum(total, axis=1, out=below[:, 1:])
    below /= np.maximum(number, 1)[:, None]
    ring = np.arange(rings)
    known = np.nonzero(flat.own if flat.own.any() else number > 0)[0]
    source = nearest(known, ring) if known.size else ring
    out = np.empty(z.shape, np.float32)
    in_threads(ranks, len(z), z, *sun, width, source, below, out)
    return out


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the equalised picture.

    Parameters
    ----------
    image : ndarray of float32, shape (C, H, W)
        NaN where there is no value.
    sigma : ndarray or None
        Not used.
    geometry : Geometry
    params : Params

    Returns
    -------
    ndarray of float32, shape (C, H, W)
        From -1.73 to 1.73.
    """
    return by_plane(image, geometry, params, lambda flat: equalise(flat, geometry))
