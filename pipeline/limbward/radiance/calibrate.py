"""A raw frame made linear: dark, flat, hot and saturated pixels."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from limbward.camera.calibration import colour_planes
from limbward.camera.frame import RawFrame

Pixels = NDArray[np.float32]


@dataclass(frozen=True)
class Calibration:
    """What is known of a camera's pixels; every array has the shape of the frame's data.

    Attributes
    ----------
    dark : ndarray of float32, optional
        Replaces the frame's black level, DN.
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


def inverse_of_flat(flat: Pixels, pattern: NDArray[np.int8], noise: float) -> tuple[Pixels, float]:
    """Return what to multiply a frame by, 1 in each colour over the middle fifth of the frame.

    Parameters
    ----------
    flat : ndarray of float32
        Of the shape of the frame's data: a master flat.
    pattern : ndarray, shape (th, tw)
    noise : float
        Photon noise of a pixel of the flat, relative.

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
    out = np.empty_like(flat)
    left = 0.0
    for part, target in zip(colour_planes(flat, pattern), colour_planes(out, pattern), strict=True):
        wide = gaussian_filter(part, 4.0, mode="nearest")
        own = part / np.maximum(wide, 1e-6) - 1.0
        seen2 = (1.4826 * float(np.median(np.abs(own - np.median(own))))) ** 2
        sensor2 = max(seen2 - noise**2, 0.0)
        trust = sensor2 / seen2 if seen2 > 0 else 0.0
        left = max(left, float(np.sqrt(sensor2 * (1.0 - trust))))
        rows, columns = part.shape
        middle = wide[rows * 2 // 5 : rows * 3 // 5 + 1, columns * 2 // 5 : columns * 3 // 5 + 1]
        level = float(middle.mean())
        target[...] = level / np.maximum(wide * (1.0 + trust * own), 0.05 * level)
    return out, left


def find_hot(frames: Iterable[RawFrame]) -> NDArray[np.bool_] | None:
    """Return pixels that stand out by themselves in every frame given.

    Parameters
    ----------
    frames : iterable of RawFrame
        Two or more, of long exposures.

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
    common: NDArray[np.bool_] | None = None
    n = 0
    for frame in frames:
        hot = _stand_out(frame)
        common = hot if common is None else common & hot
        n += 1
    return common if n >= 2 else None


def _stand_out(frame: RawFrame) -> NDArray[np.bool_]:
    excess = np.zeros(frame.data.shape, np.float32)
    out = np.zeros(frame.data.shape, bool)
    colours = (colour_planes(a, frame.pattern) for a in (frame.data, excess, out))
    for d, above, target in zip(*colours, strict=True):
        rows, columns = d.shape
        # Means of opposite neighbours of the same colour: the slope of the corona drops out.
        means = [
            0.5
            * (
                d[1 + j : rows - 1 + j, 1 + i : columns - 1 + i].astype(np.float32)
                + d[1 - j : rows - 1 - j, 1 - i : columns - 1 - i]
            )
            for j, i in ((0, 1), (1, 0), (1, 1), (1, -1))
        ]
        top, low = np.maximum.reduce(means), np.minimum.reduce(means)
        inner = d[1:-1, 1:-1]
        # About 6.5 sigma of the noise on average. Where the four means agree by chance it is less,
        # but then not in another frame at the same pixel: 4e-8 for both.
        target[1:-1, 1:-1] = inner > top + 4.0 * (top - low) + 8.0
        above[1:-1, 1:-1] = inner - 0.5 * (top + low)
    beside = np.zeros_like(excess)
    for axis in (-2, -1):
        for step in (-1, 1):
            np.maximum(beside, np.roll(excess, step, axis=axis), out=beside)
    return out & (beside < 0.25 * excess)


def _linearise(
    data: NDArray[np.uint16],
    black: Pixels,
    dark: Pixels,
    inverse_flat: Pixels,
    hot: NDArray[np.bool_],
    ceiling: float,
    out: Pixels,
) -> None:
    n_planes, height, width = data.shape
    th, tw = black.shape[1], black.shape[2]
    use_dark, use_flat, use_hot = dark.size > 0, inverse_flat.size > 0, hot.size > 0
    for y in prange(height):
        for p in range(n_planes):
            for x in range(width):
                raw = np.float32(data[p, y, x])
                value = raw - (dark[p, y, x] if use_dark else black[p, y % th, x % tw])
                if use_flat:
                    value *= inverse_flat[p, y, x]
                if use_hot and hot[p, y, x]:
                    value = np.float32(np.nan)
                elif raw >= ceiling:
                    value = np.float32(np.inf)
                out[p, y, x] = value


def _bloom(out: Pixels, marks: NDArray[np.bool_], radius: float) -> None:
    """Set to infinity what lies within ``radius`` of a saturated pixel.

    Only pixels on the rim of a saturated area need to look around; ``marks`` holds the saturated
    ones, of which ``out`` may not be read while it is written.
    """
    n_planes, height, width = out.shape
    reach = int(np.floor(radius))
    for y in prange(height):
        for p in range(n_planes):
            for x in range(width):
                marks[p, y, x] = out[p, y, x] == np.inf
    for y in prange(height):
        for p in range(n_planes):
            for x in range(width):
                if not marks[p, y, x]:
                    continue
                inside = (
                    0 < y < height - 1
                    and 0 < x < width - 1
                    and marks[p, y - 1, x]
                    and marks[p, y + 1, x]
                    and marks[p, y, x - 1]
                    and marks[p, y, x + 1]
                )
                if inside:
                    continue
                for j in range(max(0, y - reach), min(height, y + reach + 1)):
                    for i in range(max(0, x - reach), min(width, x + reach + 1)):
                        if (j - y) ** 2 + (i - x) ** 2 <= radius * radius:
                            out[p, j, i] = np.inf


linearise = njit(parallel=True, nogil=True, cache=True)(_linearise)
bloom = njit(parallel=True, nogil=True, cache=True)(_bloom)


def calibrate(
    frame: RawFrame,
    calibration: Calibration,
    saturation: float = 0.9,
    bloom_px: float = 2.0,
    out: Pixels | None = None,
) -> Pixels:
    """Return a frame's signal in DN, flat-fielded, with the samples not to be used marked.

    Parameters
    ----------
    frame : RawFrame
    calibration : Calibration
    saturation : float
        Fraction of the range from black to white from which a sample counts as saturated.
    bloom_px : float
        Samples this near to a saturated one count as saturated.
    out : ndarray of float32, shape (P, H, W), optional
        Where to write.

    Returns
    -------
    ndarray of float32, shape (P, H, W)
        Infinity where saturated, NaN where hot.
    """
    data = planes(frame.data)
    if out is None or out.shape != data.shape:
        out = np.empty(data.shape, np.float32)
    black = black_tile(frame)
    none = np.empty((0, 0, 0), np.float32)
    ceiling = float(black.mean()) + saturation * (frame.white - float(black.mean()))
    linearise(
        np.ascontiguousarray(data),
        black,
        none if calibration.dark is None else planes(calibration.dark),
        none if calibration.inverse_flat is None else planes(calibration.inverse_flat),
        np.empty((0, 0, 0), bool) if calibration.hot is None else planes(calibration.hot),
        ceiling,
        out,
    )
    if bloom_px >= 1.0 and np.isposinf(out).any():
        bloom(out, np.empty(out.shape, bool), bloom_px)
    return out
