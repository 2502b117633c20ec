"""Gaussian blurs of large pictures with gaps: normalised convolution, fast at every width.

Both `limbward.filters` and `limbward.render` use it. A blur of standard deviation s needs 6 s
samples a pixel and direction; beyond 4 pixels the picture is therefore first binned by a power of
two that leaves the blur at least two bins wide, and read back by linear interpolation. What binning
and interpolation blur themselves is taken off the Gaussian, so that the variance of the whole is
right; its shape differs from a Gaussian by less than 1 % of the peak.

References
----------
H. Knutsson, C.-F. Westin, *Normalized and differential convolution*, Proc. CVPR (1993) 515.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import SUMS, in_threads, kernel

Pixels = NDArray[np.float32]

TRUNCATE = 3.5  # standard deviations; beyond lies 5e-4 of the weight
BINNED_SIGMA = 2.0  # of the blur in bins, at least
TINY = np.float32(1e-4)  # of the kernel's weight: less than that is no value


@kernel(fastmath=SUMS)
def rows_pass(first: int, last: int, image: Pixels, taps: Pixels, out: Pixels) -> None:
    """Convolve rows of a picture with taps along themselves."""
    width = image.shape[1]
    reach = taps.size // 2
    for y in range(first, last):
        padded = np.zeros(width + 2 * reach, np.float32)
        padded[reach : reach + width] = image[y]
        for k in range(taps.size):
            t = taps[k]
            for x in range(width):
                if k == 0:
                    out[y, x] = t * padded[x]
                else:
                    out[y, x] += t * padded[x + k]


@kernel(fastmath=SUMS)
def columns_pass(first: int, last: int, image: Pixels, taps: Pixels, out: Pixels) -> None:
    """Convolve a picture with taps down its columns; write rows of it."""
    height, width = image.shape
    reach = taps.size // 2
    for y in range(first, last):
        for x in range(width):
            out[y, x] = np.float32(0.0)
        for k in range(taps.size):
            at = y + k - reach
            if 0 <= at < height:
                t = taps[k]
                for x in range(width):
                    out[y, x] += t * image[at, x]


@kernel(fastmath=SUMS)
def bin_sums(first: int, last: int, image: Pixels, factor: int, out: Pixels) -> None:
    """Sum a picture in bins of ``factor`` by ``factor`` pixels; write rows of these."""
    height, width = image.shape
    for row in range(first, last):
        for x in range(out.shape[1]):
            out[row, x] = np.float32(0.0)
        for y in range(row * factor, min((row + 1) * factor, height)):
            for x in range(width):
                out[row, x // factor] += image[y, x]


@kernel(fastmath=SUMS)
def expand(
    first: int, last: int, value: Pixels, weight: Pixels, factor: int, least: float, out: Pixels
) -> None:
    """Write value over weight, both interpolated linearly, NaN where there is no weight."""
    width = out.shape[1]
    rows, columns = value.shape
    for y in range(first, last):
        v = (y + 0.5) / factor - 0.5
        v = min(max(v, 0.0), rows - 1.0)
        i = min(int(v), max(rows - 2, 0))
        below = min(i + 1, rows - 1)
        p = np.float32(v - i)
        for x in range(width):
            u = (x + 0.5) / factor - 0.5
            u = min(max(u, 0.0), columns - 1.0)
            j = min(int(u), max(columns - 2, 0))
            right = min(j + 1, columns - 1)
            q = np.float32(u - j)
            a = (value[i, j] * (1 - q) + value[i, right] * q) * (1 - p)
            a += (value[below, j] * (1 - q) + value[below, right] * q) * p
            b = (weight[i, j] * (1 - q) + weight[i, right] * q) * (1 - p)
            b += (weight[below, j] * (1 - q) + weight[below, right] * q) * p
            out[y, x] = a / b if b > least else np.float32(np.nan)


@kernel(fastmath=SUMS, inner=True)
def line_at(value: Pixels, y: int, factor: int) -> Pixels:
    """Return the bins (columns + 1) interpolated at row y of the picture, the last one twice."""
    rows, columns = value.shape
    v = min(max((y + 0.5) / factor - 0.5, 0.0), rows - 1.0)
    i = min(int(v), max(rows - 2, 0))
    below = min(i + 1, rows - 1)
    p = np.float32(v - i)
    line = np.empty(columns + 1, np.float32)
    for x in range(columns):
        line[x] = value[i, x] + p * (value[below, x] - value[i, x])
    line[columns] = line[columns - 1]
    return line


@kernel(fastmath=SUMS)
def read_back(
    first: int,
    last: int,
    value: Pixels,
    at: NDArray[np.int32],
    share: Pixels,
    factor: int,
    out: Pixels,
) -> None:
    """Write a binned picture at full size, interpolated linearly."""
    width = out.shape[1]
    for y in range(first, last):
        line = line_at(value, y, factor)
        for x in range(width):
            j = at[x]
            out[y, x] = line[j] + share[x] * (line[j + 1] - line[j])


@kernel(fastmath=SUMS)
def weigh(first: int, last: int, image: Pixels, weight: Pixels, square: bool, out: Pixels) -> None:
    """Multiply rows of a picture, or of its square, by weights; 0 where there is none."""
    width = image.shape[1]
    for y in range(first, last):
        for x in range(width):
            w = weight[y, x]
            value = image[y, x]
            if square:
                value *= value
            out[y, x] = value * w if w > 0 else np.float32(0.0)


def gaussian_taps(sigma: float) -> Pixels:
    """Return the samples of a Gaussian of the given standard deviation; their sum is 1."""
    reach = max(int(np.ceil(TRUNCATE * sigma)), 1)
    x = np.arange(-reach, reach + 1)
    taps = np.exp(-0.5 * (x / sigma) ** 2)
    return (taps / taps.sum()).astype(np.float32)


class Blur:
    """A Gaussian blur that leaves gaps out, for several pictures that share the same gaps.

    Parameters
    ----------
    weight : ndarray of float32, shape (H, W), or (int, int)
        How much each pixel counts; 0 for a gap, whose value may be NaN. Two numbers are the shape
        of pictures without gaps, which takes half the time.
    sigma : float
        Standard deviation of the Gaussian, pixels; more than 0.
    """

    def __init__(self, weight: Pixels | tuple[int, int], sigma: float) -> None:
        self.weight = None if isinstance(weight, tuple) else weight
        self.factor = 1
        while sigma / (2 * self.factor) >= BINNED_SIGMA:
            self.factor *= 2
        f = self.factor
        # Variances of a box of f pixels and of the triangle of linear interpolation.
        inner = sigma**2 - ((f * f - 1) / 12.0 + f * f / 6.0 if f > 1 else 0.0)
        self.taps = gaussian_taps(np.sqrt(inner) / f)
        if isinstance(weight, tuple):
            down, across = (self._spread(np.ones((1, n), np.float32))[0] for n in weight)
            # A line of ones has lost the middle of the other direction's taps: put it right.
            alone = self.taps[self.taps.size // 2]
            self.across = np.float32(1.0) / (across / alone)
            self.down = np.float32(1.0) / (down / alone)
        else:
            self.sums = self._spread(weight)

    def _spread(self, image: Pixels, scratch: Pixels | None = None) -> Pixels:
        f = self.factor
        if f > 1:
            height, width = image.shape
            binned = np.empty((-(-height // f), -(-width // f)), np.float32)
            in_threads(bin_sums, len(binned), image, f, binned)
            image, scratch = binned, None
        once = np.empty_like(image) if scratch is None else scratch
        in_threads(rows_pass, len(once), image, self.taps, once)
        out = np.empty_like(image) if f == 1 else image
        in_threads(columns_pass, len(out), once, self.taps, out)
        return out

    def means(self, image: Pixels, scratch: Pixels | None = None) -> Pixels:
        """Return a picture without gaps blurred, in bins of ``factor`` by ``factor`` pixels.

        Parameters
        ----------
        image : ndarray of float32, shape (H, W)
        scratch : ndarray of float32, shape (H, W), optional
            Overwritten.
        """
        out = self._spread(image, scratch)
        for row, part in zip(out, self.down, strict=True):
            row *= self.across
            row *= part
        return out

    def __call__(self, image: Pixels, *, square: bool = False) -> Pixels:
        """Return the blurred picture.

        Parameters
        ----------
        image : ndarray of float32, shape (H, W)
        square : bool
            Whether its square is blurred instead.

        Returns
        -------
        ndarray of float32, shape (H, W)
            NaN only where no pixel that counts is within 3.5 standard deviations.
        """
        out = np.empty(image.shape, np.float32)
        if self.weight is None:
            means = self.means(np.square(image) if square else image, out)
            if self.factor == 1:
                return means
            enlarge(means, self.factor, out)
            return out
        if self.factor == 1:  # in two buffers: 0.1 GB each at 24 megapixels
            spread = np.empty_like(out)
            in_threads(weigh, len(out), image, self.weight, square, spread)
            in_threads(rows_pass, len(out), spread, self.taps, out)
            in_threads(columns_pass, len(out), out, self.taps, spread)
        else:
            in_threads(weigh, len(out), image, self.weight, square, out)
            spread = self._spread(out)
        least = float(TINY) * self.factor**2
        in_threads(expand, len(out), spread, self.sums, self.factor, least, out)
        return out


def between(bins: int, factor: int, width: int) -> tuple[NDArray[np.int32], Pixels]:
    """Return, for each pixel of a row, the bin before it and its way to the next, 0 to 1."""
    u = np.clip((np.arange(width) + 0.5) / factor - 0.5, 0.0, bins - 1.0)
    at = u.astype(np.int32)
    return at, (u - at).astype(np.float32)


def enlarge(image: Pixels, factor: int, out: Pixels) -> None:
    """Read a binned picture back at full size, by linear interpolation.

    Parameters
    ----------
    image : ndarray of float32, shape (h, w)
        Means of ``factor`` by ``factor`` pixels.
    factor : int
    out : ndarray of float32, shape (H, W)
        Written; beyond the last bin the values at the edge go on.
    """
    places = between(image.shape[1], factor, out.shape[1])
    in_threads(read_back, len(out), image, *places, factor, out)


def gaussian_blur(image: Pixels, sigma: float) -> Pixels:
    """Return a picture without gaps blurred by a Gaussian, the same at its edges as inside.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
    sigma : float
        Pixels.
    """
    return Blur((image.shape[0], image.shape[1]), sigma)(image)
