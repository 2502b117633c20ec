"""Mean and standard deviation of a picture in annuli about the Sun, as smooth functions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_banded

from limbward.compiled import in_threads, kernel
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

BANDS = 16
PASSES = 16
SMALL = 0.1
# Mean and deviation before an annulus' last correction, which leaves a quarter of them at most
# (where only the outer edge of an annulus is seen; elsewhere a twentieth). 1e-3 is promised.
ENOUGH = 5e-4
MIN_PIXELS = 40
OUTER_FALL = -2.5  # power of the distance (Baumbach 1937)
FALL_RINGS = 30  # from which the fall beyond the last annulus is taken
# What a profile read by cubic convolution has as its mean over an annulus: so much of the annulus'
# own value, of each neighbour's and of each next one's. These are integrals of Keys' kernel.
ANNULUS_MEAN = (161 / 192, 3 / 32, -5 / 384)


def _profile_at(profile: Floats, at: float) -> float:
    """Interpolate a profile by cubic convolution (R. G. Keys, IEEE Trans. ASSP 29 (1981) 1153).

    A line between annuli would be 1 % off where the corona falls as r^-17 at 50 px from the centre.
    """
    n = profile.size
    at = min(max(at, 0.0), n - 1.001)
    i = int(at)
    p = at - i
    a = profile[max(i - 1, 0)]
    b, c = profile[i], profile[i + 1]
    d = profile[min(i + 2, n - 1)]
    return b + 0.5 * p * (c - a + p * (2 * a - 5 * b + 4 * c - d + p * (3 * (b - c) + d - a)))


profile_at = kernel(inner=True)(_profile_at)


def _cubics(mean: Floats, deviation: Floats) -> Floats:
    """Return the coefficients of what `profile_at` reads, of both profiles between two annuli."""
    out = np.empty((mean.size, 8))
    for k, profile in enumerate((mean, deviation)):
        around = np.pad(profile, (1, 2), mode="edge")
        a, b, c, d = (around[i : i + mean.size] for i in range(4))
        out[:, 4 * k] = b
        out[:, 4 * k + 1] = 0.5 * (c - a)
        out[:, 4 * k + 2] = 0.5 * (2 * a - 5 * b + 4 * c - d)
        out[:, 4 * k + 3] = 0.5 * (3 * (b - c) + d - a)
    return out


def _normal(value: float, cubics: Floats, at: float) -> float:
    at = min(max(at, 0.0), cubics.shape[0] - 1.001)
    i = int(at)
    p = at - i
    m = cubics[i, 0] + p * (cubics[i, 1] + p * (cubics[i, 2] + p * cubics[i, 3]))
    s = cubics[i, 4] + p * (cubics[i, 5] + p * (cubics[i, 6] + p * cubics[i, 7]))
    return (value - m) / s


normal = kernel(inner=True)(_normal)


@kernel
def measure_bands(
    first: int,
    last: int,
    image: Pixels,
    visible: NDArray[np.bool_],
    sun_x: float,
    sun_y: float,
    width: float,
    cubics: Floats,
    which: NDArray[np.bool_],
    sums: Floats,
) -> None:
    """Add up count, value and square of the normalised pixels of each annulus, by bands of rows."""
    height, columns = image.shape
    bands = sums.shape[0]
    for band in range(first, last):
        for y in range(band * height // bands, (band + 1) * height // bands):
            for x in range(columns):
                r = np.sqrt((x - sun_x) ** 2 + (y - sun_y) ** 2) / width
                k = int(r)
                if not which[k] or not visible[y, x]:
                    continue
                value = image[y, x]
                if not np.isfinite(value):
                    continue
                z = normal(value, cubics, r - 0.5)
                sums[band, 0, k] += 1.0
                sums[band, 1, k] += z
                sums[band, 2, k] += z * z


@kernel
def normalise_bands(
    first: int,
    last: int,
    image: Pixels,
    sun_x: float,
    sun_y: float,
    width: float,
    cubics: Floats,
    out: Pixels,
) -> None:
    """Write rows of a picture less the mean of their annulus, over its deviation."""
    columns = image.shape[1]
    for y in range(first, last):
        for x in range(columns):
            r = np.sqrt((x - sun_x) ** 2 + (y - sun_y) ** 2) / width
            out[y, x] = np.float32(normal(image[y, x], cubics, r - 0.5))


@kernel
def at_distance(
    first: int, last: int, profile: Floats, sun_x: float, sun_y: float, width: float, out: Pixels
) -> None:
    """Write rows of a picture that has the values of a profile."""
    columns = out.shape[1]
    for y in range(first, last):
        for x in range(columns):
            r = np.sqrt((x - sun_x) ** 2 + (y - sun_y) ** 2) / width
            out[y, x] = np.float32(profile_at(profile, r - 0.5))


def annulus_count(shape: tuple[int, int], geometry: Geometry, width_px: float) -> int:
    """Return how many annuli it takes to cover a picture."""
    height, width = shape
    corners = [
        np.hypot(x - geometry.sun_x, y - geometry.sun_y)
        for x in (0, width - 1)
        for y in (0, height - 1)
    ]
    return int(max(corners) / width_px) + 2


def normalised(
    image: Pixels, geometry: Geometry, width_px: float, mean: Floats, deviation: Floats, out: Pixels
) -> None:
    """Write a picture less the mean of its annulus, over the deviation, to ``out``."""
    cubics = _cubics(mean, deviation)
    sun = geometry.sun_x, geometry.sun_y
    in_threads(normalise_bands, len(out), image, *sun, width_px, cubics, out)


def spread_out(
    profile: Floats, shape: tuple[int, int], geometry: Geometry, width_px: float
) -> Pixels:
    """Return a profile over the distance from the Sun as a picture (H, W)."""
    out = np.empty(shape, np.float32)
    in_threads(at_distance, len(out), profile, geometry.sun_x, geometry.sun_y, width_px, out)
    return out


def annulus_profiles(
    image: Pixels, geometry: Geometry, width_px: float = 1.0
) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of a picture as functions of the distance from the Sun.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
    geometry : Geometry
    width_px : float
        Width of an annulus.

    Returns
    -------
    mean, deviation : ndarray of float64
        At the middles of the annuli, ``(k + 0.5) * width_px`` from the Sun's centre. Annuli of
        fewer than 40 pixels have their neighbours' values.

    Notes
    -----
    The mean of a steep, curved profile over an annulus is not its value in the middle. The
    profiles are therefore corrected by the mean and deviation of what they normalise, until these
    are 0 and 1.
    """
    height, width = image.shape
    n = annulus_count((height, width), geometry, width_px)
    mean, deviation = np.zeros(n), np.ones(n)
    refine(image, geometry, width_px, mean, deviation, np.ones(n, bool), start=True)
    return mean, deviation


def refine(
    image: Pixels,
    geometry: Geometry,
    width_px: float,
    mean: Floats,
    deviation: Floats,
    which: NDArray[np.bool_],
    start: bool = False,
) -> None:
    """Correct profiles in place until the annuli ``which`` have the mean 0 and the deviation 1.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
    geometry : Geometry
    width_px : float
    mean, deviation : ndarray of float64
    which : ndarray of bool
        Annuli to correct.
    start : bool
        Whether the profiles hold nothing yet; annuli of too few pixels then follow the others.
    """
    visible = geometry.visible(*image.shape)
    todo, empty = which.copy(), start
    for _ in range(PASSES):
        sums = np.zeros((BANDS, 3, mean.size))
        cubics = _cubics(mean, deviation)
        sun = geometry.sun_x, geometry.sun_y
        in_threads(measure_bands, len(sums), image, visible, *sun, width_px, cubics, todo, sums)
        count, first, second = sums.sum(axis=0)
        good = (count >= MIN_PIXELS) & todo
        if not good.any():
            return
        shift, scale = np.zeros(mean.size), np.ones(mean.size)
        shift[good] = first[good] / count[good]
        square = second[good] / count[good] - shift[good] ** 2
        scale[good] = np.maximum(np.sqrt(np.maximum(square, 0.0)), 0.0 if empty else 1e-3)
        off = good & ((np.abs(shift) > ENOUGH) | (np.abs(scale - 1.0) > ENOUGH))
        if empty:
            few = ~good
        if start and few.any():
            ring = np.arange(mean.size)
            for profile in (shift, scale):
                profile[few] = np.interp(ring[few], ring[~few], profile[~few])
            if empty:
                _fall_on(shift, int(ring[~few][-1]))
        if empty:
            mean += _at_middles(shift)
            deviation *= scale
        else:  # in deviations, which are even in radius where the profiles are steep
            at = (good | few) if start else good
            mean[at] += (deviation * _where_small(shift))[at]
            deviation[at] *= np.exp(_where_small(np.log(scale)))[at]
        # An even annulus has no deviation; 1e-6 of its mean is float32's own rounding.
        np.maximum(deviation, 1e-6 * np.abs(mean) + 1e-36, out=deviation)
        if not off.any():
            return
        # A correction reaches two annuli to either side, so these are looked at again.
        todo, empty = np.convolve(off, np.ones(5), "same").astype(bool) & which, False


def _fall_on(mean: Floats, last: int) -> None:
    """Let a profile go on beyond its last known annulus as it has fallen before, in place.

    The last twenty annuli in a corner have too few pixels each. With the value of the one before
    them the corner would be dark, and an arc its edge.
    """
    before = np.arange(max(last - FALL_RINGS, 0), last + 1)
    if before.size < 3 or last + 1 >= mean.size:
        return
    beyond = np.arange(last + 1, mean.size)
    # On any background, and in any unit: a constant and the outer corona's fall.
    fall = ((before + 0.5) / (last + 0.5)) ** OUTER_FALL
    slope, level = np.polyfit(fall, mean[before], 1)
    mean[beyond] = level + slope * ((beyond + 0.5) / (last + 0.5)) ** OUTER_FALL


def _where_small(means: Floats) -> Floats:
    """Return `_at_middles` where these are small for two annuli around, else the means.

    Far from the goal the profiles are no smooth functions, and the sharper correction swings.
    """
    small = np.convolve(np.abs(means) > SMALL, np.ones(5), "same") == 0
    return np.where(small, _at_middles(means), means)


def _at_middles(means: Floats) -> Floats:
    """Return the profile whose means over the annuli are given.

    Were the profiles corrected by the means themselves, 0.37 of what alternates from annulus to
    annulus would be left after each pass, and a picture gone through eight times instead of four.
    """
    own, next_, second = ANNULUS_MEAN
    if means.size < 5:
        return means
    bands = np.repeat([[second], [next_], [own], [next_], [second]], means.size, axis=1)
    # Beyond both ends the profile goes on as it is at the end.
    bands[2, [0, -1]] += next_ + second
    bands[3, 0] += second
    bands[1, -1] += second
    return np.asarray(solve_banded((2, 2), bands, means))
