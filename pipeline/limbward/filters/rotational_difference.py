"""Rotational differencing: the picture less itself turned to both sides.

    D(r, a) = 2 I(r, a) - I(r - dr, a + da) - I(r - dr, a - da)

(the paper's defining equation; without ``dr`` a wave of m periods comes out 2 (1 - cos m da) times
as strong), on the picture less the mean of its annulus, over that mean, so that the radial fall is
out of it and a circularly symmetric corona cancels for any ``dr``. Turned pictures are interpolated
by cubic convolution. Where one of the two turned places is missing, the other counts twice; towards
the edge of what is there a place counts less and less, or there would be a seam. Where both are
missing, as in corners, the difference has faded to 0.

At small and at large radius: the arc between the pictures is ``angle_deg`` at every height.
Features narrower than that are doubled by faint negative ghosts at both sides. Nothing limits the
noise, which is lifted 2.4 times and dominates far out.

References
----------
S. M. Larson, Z. Sekanina, *Coma morphology and dust-emission pattern of periodic comet Halley*,
Astronomical Journal 89 (1984) 571. Cubic convolution: R. G. Keys, IEEE Trans. ASSP 29 (1981) 1153.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from limbward.compiled import in_threads, kernel
from limbward.filters.annulus import spread_out
from limbward.filters.flattened import ColourParams, Flat, by_plane
from limbward.geometry.disc import Geometry
from limbward.picture.blur import gaussian_blur

Pixels = NDArray[np.float32]

NORMALISES = True
EDGE = 0.2  # solar radii: half the width over which a place near an edge loses its weight


class Params(ColourParams):
    """Parameters of the filter."""

    angle_deg: float = Field(
        default=5.0, gt=0, le=90, description="Rotation to either side, degrees."
    )
    radial_px: float = Field(
        default=0.0, ge=-200, le=200, description="Shift towards the Sun, pixels."
    )


def _sample(image: Pixels, y: float, x: float) -> float:
    """Return the value at a place: cubic convolution, or the mean of what is there of 4 pixels."""
    height, width = image.shape
    i, j = int(np.floor(y)), int(np.floor(x))
    p, q = y - i, x - j
    if 1 <= i <= height - 3 and 1 <= j <= width - 3:
        total = 0.0
        for k in range(4):
            a = weight(p, k)
            for m in range(4):
                total += a * weight(q, m) * image[i + k - 1, j + m - 1]
        if not np.isnan(total):
            return total
    total, known = 0.0, 0.0
    for k in range(2):
        for m in range(2):
            if 0 <= i + k < height and 0 <= j + m < width:
                v = image[i + k, j + m]
                if not np.isnan(v):
                    w = abs(1 - k - p) * abs(1 - m - q)
                    total += w * v
                    known += w
    return total / known if known > 0.25 else np.nan


def _weight(p: float, k: int) -> float:
    """Return the weight of pixel k of four, of which the second is p before the place."""
    if k == 0:
        return ((-0.5 * p + 1.0) * p - 0.5) * p
    if k == 1:
        return (1.5 * p - 2.5) * p * p + 1.0
    if k == 2:
        return ((-1.5 * p + 2.0) * p + 0.5) * p
    return (0.5 * p - 0.5) * p * p


weight = kernel(inner=True)(_weight)
sample = kernel(inner=True)(_sample)


@kernel
def difference(
    first: int,
    last: int,
    image: Pixels,
    hidden: Pixels,
    depth: Pixels,
    sun_x: float,
    sun_y: float,
    turn: float,
    shift: float,
    out: Pixels,
) -> None:
    """Write rows of twice the picture less the picture turned either way."""
    width = image.shape[1]
    cos, sin = np.cos(turn), np.sin(turn)
    for y in range(first, last):
        dy = y - sun_y
        for x in range(width):
            dx = x - sun_x
            closer = 1.0
            if shift != 0.0:
                r = np.sqrt(dx * dx + dy * dy)
                closer = max(r - shift, 0.0) / max(r, 1e-6)
            u, v = dx * closer, dy * closer
            y1, x1 = sun_y + u * sin + v * cos, sun_x + u * cos - v * sin
            y2, x2 = sun_y - u * sin + v * cos, sun_x + u * cos + v * sin
            one, two = sample(hidden, y1, x1), sample(hidden, y2, x2)
            a, b = inside(depth, y1, x1), inside(depth, y2, x2)
            if np.isnan(one):
                one, a = two, b
            elif np.isnan(two):
                two, b = one, a
            else:
                if a < 1.0 or b < 1.0:
                    mean = (a * one + b * two) / (a + b)
                    one, two = mean, mean
            if np.isnan(one):  # nothing to differ from
                out[y, x] = np.float32(0.0) if np.isfinite(image[y, x]) else np.float32(np.nan)
                continue
            out[y, x] = np.float32(max(a, b) * (2.0 * image[y, x] - one - two))


def _inside(depth: Pixels, y: float, x: float) -> float:
    """Return how much a place counts: 1 but near an edge, there down to nearly nothing."""
    height, width = depth.shape
    i = min(max(int(y), 0), height - 2)
    j = min(max(int(x), 0), width - 2)
    p, q = min(max(y - i, 0.0), 1.0), min(max(x - j, 0.0), 1.0)
    upper = depth[i, j] * (1.0 - q) + depth[i, j + 1] * q
    lower = depth[i + 1, j] * (1.0 - q) + depth[i + 1, j + 1] * q
    # At a straight edge a blurred mask is 1/2, and 0.98 two standard deviations inside.
    return min(max((upper * (1.0 - p) + lower * p - 0.5) / 0.48, 1e-3), 1.0)


inside = kernel(inner=True)(_inside)


def _depth(hidden: Pixels, width_px: float) -> Pixels:
    """Return the share of known pixels around each, under a Gaussian; beyond the frame is none."""
    known = np.isfinite(hidden).astype(np.float32)
    margin = int(4.0 * width_px) + 1
    blurred = gaussian_blur(np.pad(known, margin), width_px)
    return np.ascontiguousarray(blurred[margin:-margin, margin:-margin])


def apply(image: Pixels, sigma: Pixels | None, geometry: Geometry, params: Params) -> Pixels:
    """Return the difference.

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
        In units of the annulus' mean.
    """

    def work(flat: Flat) -> Pixels:
        height, width = flat.z.shape
        # A mean that is no larger than the deviation (a sky taken off) is no unit.
        unit = flat.deviation / np.maximum(flat.mean, flat.deviation)
        relative = flat.z * spread_out(unit, flat.z.shape, geometry, flat.width_px)
        hidden = np.where(geometry.visible(height, width), relative, np.float32(np.nan))
        out = np.empty(relative.shape, np.float32)
        turn = float(np.radians(params.angle_deg))
        depth = _depth(hidden, EDGE * geometry.sun_radius_px)
        sun = geometry.sun_x, geometry.sun_y
        shift = params.radial_px
        in_threads(difference, height, relative, hidden, depth, *sun, turn, shift, out)
        return out

    return by_plane(image, geometry, params, work)
