"""Pictures unwrapped about the Sun: sums over small cells of radius and angle, and back.

A picture is unwrapped by adding each pixel to its cell, so that nothing is interpolated, gaps are
cells with fewer pixels, and an average over cells is an average over pixels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.ndimage import gaussian_filter1d

from limbward.compiled import in_threads, kernel
from limbward.geometry.disc import Geometry

Pixels = NDArray[np.float32]

CELL_PX = 2.0  # width of a cell along the limb; narrower ones are often empty
ANGLES = (256, 2048)  # fewest and most cells round the Sun; 2048 are 0.18 degrees each


@kernel
def add_up(
    begin: int,
    end: int,
    image: Pixels,
    visible: NDArray[np.bool_],
    sun_x: float,
    sun_y: float,
    width: float,
    sums: Pixels,
) -> None:
    """Add pixels, their values and squares to cells; quadrants share no cell."""
    height, columns = image.shape
    rings, angles = sums.shape[1:]
    split_y = min(max(int(np.ceil(sun_y)), 0), height)
    split_x = min(max(int(np.ceil(sun_x)), 0), columns)
    per_turn = angles / (2.0 * np.pi)
    quarter = angles // 4
    for quadrant in range(begin, end):
        top, bottom = (0, split_y) if quadrant >= 2 else (split_y, height)
        left, right = (split_x, columns) if quadrant in (0, 3) else (0, split_x)
        first = quadrant * quarter
        for y in range(top, bottom):
            dy = y - sun_y
            for x in range(left, right):
                value = image[y, x]
                if not visible[y, x] or not np.isfinite(value):
                    continue
                dx = x - sun_x
                k = int(np.sqrt(dx * dx + dy * dy) / width)
                angle = np.arctan2(dy, dx)
                if angle < 0.0:
                    angle += 2.0 * np.pi
                cell = min(max(int(angle * per_turn), first), first + quarter - 1)
                if k < rings:
                    sums[0, k, cell] += np.float32(1.0)
                    sums[1, k, cell] += value
                    sums[2, k, cell] += value * value


@kernel
def look_up(
    first: int, last: int, field: Pixels, sun_x: float, sun_y: float, width: float, out: Pixels
) -> None:
    """Interpolate a field over cells linearly at every pixel."""
    columns = out.shape[1]
    rings, angles = field.shape
    per_turn = angles / (2.0 * np.pi)
    for y in range(first, last):
        dy = y - sun_y
        for x in range(columns):
            dx = x - sun_x
            r = np.sqrt(dx * dx + dy * dy) / width - 0.5
            r = min(max(r, 0.0), rings - 1.001)
            i = int(r)
            p = r - i
            a = np.arctan2(dy, dx) * per_turn - 0.5
            if a < 0.0:
                a += angles
            j = int(a)
            q = a - j
            j = j % angles
            k = (j + 1) % angles
            inner = field[i, j] * (1.0 - q) + field[i, k] * q
            outer = field[i + 1, j] * (1.0 - q) + field[i + 1, k] * q
            out[y, x] = np.float32(inner * (1.0 - p) + outer * p)


@dataclass(frozen=True)
class Polar:
    """A picture unwrapped.

    Attributes
    ----------
    count, first, second : ndarray of float32, shape (R, A)
        Number, sum and sum of squares of the pixels in each cell. Row k holds distances from
        ``k * width_px`` to ``(k + 1) * width_px`` from the Sun's centre; the angles run from the
        picture's right downwards, whole turns in A steps.
    geometry : Geometry
    width_px : float
    shape : tuple of int
        Of the picture.
    """

    count: Pixels
    first: Pixels
    second: Pixels
    geometry: Geometry
    width_px: float
    shape: tuple[int, int]

    def coverage(self) -> NDArray[np.float64]:
        """Return the share of each ring's pixels that the picture shows.

        The pixels are those of a picture without end. By a ring's area, one a pixel wide would
        seem to lack a tenth of itself where the grid happens to lie so.
        """
        edges = np.asarray(self.width_px * np.arange(len(self.count) + 1), np.float64)
        whole = np.diff(pixels_within(edges, self.geometry.sun_x, self.geometry.sun_y))
        seen = self.count.sum(axis=1, dtype=float)
        return np.asarray(np.minimum(seen / np.maximum(whole, 1.0), 1.0))

    def spread(self, field: Pixels) -> Pixels:
        """Return a field over the cells as a picture (H, W), by linear interpolation."""
        out = np.empty(self.shape, np.float32)
        g = self.geometry
        cells = np.ascontiguousarray(field, np.float32)
        in_threads(look_up, len(out), cells, g.sun_x, g.sun_y, self.width_px, out)
        return out


def pixels_within(radii: NDArray[np.float64], x: float, y: float) -> NDArray[np.float64]:
    """Return how many pixels of an endless picture have their centres in circles about a place."""
    x, y = x % 1.0, y % 1.0
    out = np.zeros(radii.size)
    for k, r in enumerate(radii):
        rows = np.arange(np.ceil(y - r), np.floor(y + r) + 1.0)
        half = np.sqrt(np.maximum(r * r - (rows - y) ** 2, 0.0))
        out[k] = np.sum(np.floor(x + half) - np.ceil(x - half) + 1.0)
    return out


def unwrap(image: Pixels, geometry: Geometry, rings: int, width_px: float = 1.0) -> Polar:
    """Return a picture unwrapped.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
        Without a steep slope along the radius, or a cell's mean depends on where its pixels lie.
    geometry : Geometry
        The Moon's disc does not count.
    rings : int
    width_px : float
        Of a ring.
    """
    height, width = image.shape
    wanted = 2.0 * np.pi * geometry.sun_radius_px / CELL_PX
    angles = int(np.clip(2 ** round(np.log2(max(wanted, 4.0))), *ANGLES))
    sums = np.zeros((3, rings, angles), np.float32)
    visible = geometry.visible(height, width)
    sun = geometry.sun_x, geometry.sun_y
    in_threads(add_up, 4, image, visible, *sun, width_px, sums)
    return Polar(sums[0], sums[1], sums[2], geometry, width_px, (height, width))


def along_circles(field: Pixels, response: NDArray[np.float64]) -> Pixels:
    """Return a field convolved along its rows, which close into circles.

    Parameters
    ----------
    field : ndarray of float32, shape (R, A)
    response : ndarray, shape (A // 2 + 1,)
        Factor of each Fourier order.
    """
    spectrum = fft.rfft(field, axis=1, workers=-1)
    spectrum *= response.astype(np.float32)
    return np.asarray(fft.irfft(spectrum, field.shape[1], axis=1, workers=-1), np.float32)


def gaussian_response(angles: int, sigma_deg: float) -> NDArray[np.float64]:
    """Return the Fourier factors of a Gaussian in angle, standard deviation in degrees."""
    order = np.arange(angles // 2 + 1)
    return np.asarray(np.exp(-0.5 * (order * np.radians(sigma_deg)) ** 2))


def blur_cells(value: Pixels, count: Pixels, sigma_deg: float, sigma_rings: float = 0.0) -> Pixels:
    """Return the mean of cells under a Gaussian in angle and distance, gaps left out.

    Parameters
    ----------
    value, count : ndarray of float32, shape (R, A)
        Sums and numbers of pixels. Each cell counts once, however many pixels fell into it:
        their numbers follow the pixels' grid, and would pull the mean to some angles.
    sigma_deg, sigma_rings : float
        Standard deviations in angle and in distance, degrees and rings.

    Returns
    -------
    ndarray of float32, shape (R, A)
        0 where nothing is near.
    """
    response = gaussian_response(value.shape[1], sigma_deg)
    pair = []
    cell = (count > 0).astype(np.float32)
    mean = np.asarray(value / np.maximum(count, np.float32(1.0)), np.float32)
    for field in (mean, cell):
        smooth = along_circles(field, response)
        if sigma_rings > 0.0:
            smooth = gaussian_filter1d(smooth, sigma_rings, axis=0, mode="constant", truncate=3.0)
        pair.append(smooth)
    top, bottom = pair
    known = bottom > 1e-3 * max(float(bottom.max(initial=0.0)), 1e-30)
    return np.where(known, top / np.where(known, bottom, 1.0), 0.0).astype(np.float32)
