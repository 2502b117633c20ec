"""What a raw frame's samples are worth: darks, flats and hot pixels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from limbward.camera.calibration import colour_planes
from limbward.camera.frame import RawFrame
from limbward.compiled import kernel
from limbward.radiance.scratch import Room, by_rows, let_go

Pixels = NDArray[np.float32]


@dataclass(frozen=True)
class Calibration:
    """What is known of a camera's pixels; every array has the shape of the frame's data.

    Attributes
    ----------
    dark : ndarray of float32, optional
        Replaces the frame's black level, ADU.
    inverse_flat : ndarray of float32, optional
        Multiplies the signal; 1 on average in each colour.
    hot : ndarray of bool, optional
        Pixels that are left out.
    """

    dark: Pixels | None = None
    inverse_flat: Pixels | None = None
    hot: NDArray[np.bool_] | None = None


def planes(data: NDArray[Any]) -> NDArray[Any]:
    """Return pixels as (P, H, W): one plane for a mosaic."""
    return data if data.ndim == 3 else data[None]


def black_tile(frame: RawFrame) -> Pixels:
    """Return the black level as (P, th, tw)."""
    if frame.pattern.size == 0:
        return np.asarray(frame.black, np.float32).reshape(-1, 1, 1)
    return np.asarray(frame.black, np.float32)[None]


def inverse_of_flat(
    flat: Pixels, pattern: NDArray[np.int8], noise: float, room: Room = np.empty
) -> tuple[Pixels, float]:
    """Return what to multiply a frame by, 1 in each colour over the middle fifth of the frame.

    Parameters
    ----------
    flat : ndarray of float32
        Of the shape of the frame's data: a master flat.
    pattern : ndarray, shape (th, tw)
    noise : float
        Photon noise of a pixel of the flat, relative.
    room : callable
        Makes the array that is returned, such as one on disk.

    Returns
    -------
    inverse : ndarray of float32
    spread : float
        What is left of the pixels' own sensitivities, relative standard deviation.

    Notes
    -----
    A handful of flats would print their photon noise, 0.5 % a pixel, into every frame alike. What
    differs between neighbours is therefore taken from the flat only by the part ``s**2 / (s**2 +
    noise**2)`` that belongs to the sensor (N. Wiener, 1949), s being the spread of sensitivities.
    Vignetting and dust, which are wider, stay whole.
    """
    out = room(flat.shape, np.float32)
    left = 0.0
    for part, target in zip(colour_planes(flat, pattern), colour_planes(out, pattern), strict=True):
        wide = np.asarray(gaussian_filter(part, 4.0, mode="nearest"))
        own = np.asarray(part / np.maximum(wide, 1e-6) - 1.0)
        let_go(flat)
        seen2 = (1.4826 * float(np.median(np.abs(own - np.median(own))))) ** 2
        sensor2 = max(seen2 - noise**2, 0.0)
        trust = sensor2 / seen2 if seen2 > 0 else 0.0
        left = max(left, float(np.sqrt(sensor2 * (1.0 - trust))))
        rows, columns = part.shape
        middle = wide[rows * 2 // 5 : rows * 3 // 5 + 1, columns * 2 // 5 : columns * 3 // 5 + 1]
        level = float(middle.mean())
        own *= trust
        own += 1.0
        own *= wide
        np.maximum(own, 0.05 * level, out=own)
        np.divide(level, own, out=own)
        target[...] = own
        let_go(out)
    return out, left


def reduced_flat(inverse: Pixels, pattern: NDArray[np.int8], factor: int) -> Pixels:
    """Return a flat's inverse (3, h, w) as reduced frames need it: its mean in each bin.

    Parameters
    ----------
    inverse : ndarray of float32
        Of `inverse_of_flat`.
    pattern : ndarray, shape (th, tw)
    factor : int
        Side of a bin, a multiple of the tile.
    """
    rows, columns = inverse.shape[-2] // factor, inverse.shape[-1] // factor
    part = inverse[..., : rows * factor, : columns * factor]
    out = np.ones((3, rows, columns), np.float32)
    th, tw = pattern.shape if inverse.ndim == 2 else (1, 1)
    index = np.arange(factor)
    for row in range(rows):
        here = part[..., row * factor : (row + 1) * factor, :]
        bins = here.reshape(*here.shape[:-1], columns, factor)
        if inverse.ndim == 3:
            out[:, row] = bins.mean(axis=(1, 3))
            continue
        colour = pattern[np.ix_(index % th, index % tw)]
        for c in range(3):
            own = colour == c if pattern.size > 1 else np.ones_like(colour, bool)
            if own.any():
                weight = (own / own.sum()).astype(np.float32)
                out[c, row] = np.einsum("ajb,ab->j", bins, weight)
    let_go(inverse)
    return out


def find_hot(frames: Sequence[RawFrame], room: Room = np.empty) -> NDArray[np.bool_] | None:
    """Return pixels that stand out by themselves in every frame given.

    Parameters
    ----------
    frames : sequence of RawFrame
        Two or more, of long exposures.
    room : callable
        Makes the array that is returned, such as one on disk.

    Returns
    -------
    ndarray of bool or None
        Of the shape of a frame's data; None with fewer than two frames.

    Notes
    -----
    A star stands out too, but not alone: under a point spread of 0.7 pixels or more (standard
    deviation) its next neighbours, of whatever colour, get at least a third of its excess. What has
    a neighbour with a quarter is kept.
    """
    if len(frames) < 2:
        return None
    common = room(frames[0].data.shape, np.bool_)
    for rows in by_rows(frames[0].height, common, *(frame.data for frame in frames)):
        common[..., rows, :] = np.logical_and.reduce([_stand_out(f, rows) for f in frames])
    return common


def _mark_alone(data: Any, th: int, tw: int, out: NDArray[np.bool_]) -> None:
    """Mark the pixels of planes (P, H, W) that stand out by themselves."""
    n_planes, height, width = data.shape
    excess = np.zeros((3, width), np.float32)
    stands = np.zeros((3, width), np.bool_)
    for p in range(n_planes):
        excess[:] = np.float32(0.0)
        stands[:] = False
        for y in range(th, height - th + 2):
            # Row y is looked at; then all neighbours of row y - 1 are known.
            now, last, before = y % 3, (y - 1) % 3, (y - 2) % 3
            excess[now] = np.float32(0.0)
            stands[now] = False
            if y < height - th:
                up, here, down = data[p, y - th], data[p, y], data[p, y + th]
                for x in range(tw, width - tw):
                    # Means of opposite neighbours of the colour: the corona's slope drops out.
                    a = np.float32(here[x - tw]) + np.float32(here[x + tw])
                    b = np.float32(up[x]) + np.float32(down[x])
                    c = np.float32(up[x - tw]) + np.float32(down[x + tw])
                    d = np.float32(up[x + tw]) + np.float32(down[x - tw])
                    top = np.float32(0.5) * max(max(a, b), max(c, d))
                    low = np.float32(0.5) * min(min(a, b), min(c, d))
                    value = np.float32(here[x])
                    # About 6.5 sigma of the noise on average. Where the four means agree by chance
                    # it is less, but then not in another frame at the same pixel: 4e-8 for both.
                    limit = top + np.float32(4.0) * (top - low) + np.float32(8.0)
                    stands[now, x] = value > limit
                    excess[now, x] = value - np.float32(0.5) * (top + low)
            for x in range(1, width - 1):
                if stands[last, x]:
                    beside = max(
                        max(excess[last, x - 1], excess[last, x + 1]),
                        max(excess[before, x], excess[now, x]),
                    )
                    out[p, y - 1, x] = beside < np.float32(0.25) * excess[last, x]


mark_alone = kernel(_mark_alone)


def _stand_out(frame: RawFrame, rows: slice) -> NDArray[np.bool_]:
    """Return which pixels of some rows stand out by themselves."""
    th, tw = frame.pattern.shape if frame.pattern.size else (1, 1)
    # Looked at are the next pixels of a colour, and those of the next pixels of any.
    first, last = max(rows.start - th - 2, 0), min(rows.stop + th + 2, frame.height)
    data = np.ascontiguousarray(frame.data[..., first:last, :])
    out = np.zeros(data.shape, bool)
    mark_alone(planes(data), th, tw, planes(out))
    return out[..., rows.start - first : rows.stop - first, :]


def _mend(
    data: Any, index: NDArray[np.int64], hot: NDArray[np.bool_], th: int, tw: int, dark: Pixels
) -> None:
    height, width = data.shape[1], data.shape[2]
    use_dark = dark.size > 0
    for n in range(index.size):
        p, rest = index[n] // (height * width), index[n] % (height * width)
        y, x = rest // width, rest % width
        total, count = 0.0, 0
        for j in range(-1, 2):
            for i in range(-1, 2):
                v, u = y + j * th, x + i * tw
                inside = 0 <= v < height and 0 <= u < width
                if inside and not hot[p, v, u]:
                    total += np.float64(data[p, v, u]) - (dark[p, v, u] if use_dark else 0.0)
                    count += 1
        if count:
            value = total / count + (dark[p, y, x] if use_dark else 0.0)
            data[p, y, x] = max(value + 0.5, 0.0)


mend_pixels = kernel(_mend)


def mend(
    data: NDArray[Any],
    hot: NDArray[np.bool_],
    index: NDArray[np.int64],
    pattern: NDArray[np.int8],
    dark: Pixels | None = None,
) -> None:
    """Give hot pixels, in place, the mean of the pixels of their colour around them.

    Parameters
    ----------
    data : ndarray, shape (P, H, W)
        Raw samples, ADU.
    hot : ndarray of bool, shape (P, H, W)
    index : ndarray of int
        Where ``hot`` is true in the flattened frame.
    pattern : ndarray, shape (th, tw)
    dark : ndarray, shape (P, H, W), optional
        What will be taken off.

    Notes
    -----
    So their neighbours get their weight in the merge. The ring around them is symmetric: a slope
    does not shift the mean. One in 5000 pixels is hot, too few for `SIGMA` to know of it.
    """
    th, tw = pattern.shape if pattern.size else (1, 1)
    mend_pixels(data, index, hot, th, tw, np.empty((0, 0, 0), np.float32) if dark is None else dark)
