"""What a lens does besides making a picture: distortion, lateral colour, ghosts, drifting focus."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import kernel

Pixels = NDArray[np.float32]

ROUNDS = 8  # leave 1e-9 of 4 % of distortion


@dataclass(frozen=True)
class Optics:
    """Faults of an optical system.

    Attributes
    ----------
    focus_drift_px : float
        Radius of the disc of defocus that has grown from the first to the last lit frame, as the
        tube cools after it was focused.
    lateral : tuple of float
        Relative magnification of red and blue light, over green's, less 1.
    ghost : float
        Part of the light that two reflections bring back, mirrored through the axis.
    ghost_mm : float
        Diameter of the disc that a point becomes in the ghost: light that has gone 4 mm further
        at f/8 is 0.5 mm wide.
    axis_mm : tuple of float
        Where the axis meets the sensor, right of and below its centre.
    distortion : float
        By how much of itself the distance from the axis is drawn larger at half the frame's
        diagonal, where it grows with the square of the distance.
    """

    focus_drift_px: float = 0.0
    lateral: tuple[float, float] = (0.0, 0.0)
    ghost: float = 0.0
    ghost_mm: float = 0.5
    axis_mm: tuple[float, float] = (0.4, -0.25)
    distortion: float = 0.0

    def axis_px(self, shape: tuple[int, int], pitch_um: float) -> tuple[float, float]:
        """Return where the axis meets the sensor, (x, y) in pixels."""
        rows, columns = shape
        x = (columns - 1) / 2 + self.axis_mm[0] * 1000.0 / pitch_um
        return x, (rows - 1) / 2 + self.axis_mm[1] * 1000.0 / pitch_um

    def drawn_disc(
        self, shape: tuple[int, int], pitch_um: float, disc: tuple[float, float, float]
    ) -> tuple[float, float, float]:
        """Return where a disc's centre is drawn, and the radius of a circle of its drawn area."""
        x, y, radius = disc
        axis = self.axis_px(shape, pitch_um)
        dx, dy = x - axis[0], y - axis[1]
        per_square = self.distortion / (np.hypot(*shape) / 2) ** 2
        far = dx**2 + dy**2
        by = 1.0 + per_square * far
        grown = 1.0 + per_square * (2.0 * far + radius**2)
        return float(axis[0] + dx * by), float(axis[1] + dy * by), float(radius * grown)


def _between(t: float) -> tuple[float, float, float, float]:
    """Return the weights of four samples at -1, 0, 1, 2: a cubic through the middle two."""
    a = t * (-0.5 + t * (1.0 - 0.5 * t))
    b = 1.0 + t * t * (-2.5 + 1.5 * t)
    c = t * (0.5 + t * (2.0 - 1.5 * t))
    return a, b, c, 1.0 - a - b - c


_weights = kernel(inline="always")(_between)


def _undistorted_kernel(far: float, per_square: float) -> float:
    """Return by how much of itself a distance is drawn larger, for the square of where it is drawn.

    r (1 + k r^2) is where r is drawn; each round leaves 2 k r^2 of the error.
    """
    near = 1.0
    for _ in range(ROUNDS):
        near = 1.0 / (1.0 + per_square * far * near * near)
    return 1.0 / near


_undistorted = kernel(inline="always")(_undistorted_kernel)


def _place_kernel(at: float, count: int) -> Any:
    """Return the sample before a place and the weights of the four about it.

    The outermost pixels, of which a neighbour is missing, repeat the last one.
    """
    i = min(max(int(at), 1), count - 3)
    return i, _weights(min(max(at - i, 0.0), 1.0))


_place = kernel(inline="always")(_place_kernel)


def _magnify_kernel(
    image: Any, out: Any, box: Any, pattern: Any, grown: Any, axis: Any, per_square: float
) -> None:
    """Fill a box of ``out`` with what each colour of the mosaic sees of an image, bent by the lens.

    The box is of first and last row and column, the last ones behind it.
    """
    rows, columns = image.shape
    top, bottom, left, right = box
    middle_x, middle_y = axis
    for y in range(top, bottom):
        for first in range(left, left + 2):  # pixels of one colour
            by = grown[pattern[y & 1, first & 1]]
            if by == 1.0 and per_square == 0.0:
                for x in range(first, right, 2):
                    out[y, x] = image[y, x]
                continue
            i, (e, f, g, h) = _place(middle_y + (y - middle_y) / by, rows)
            for x in range(first, right, 2):
                u = middle_x + (x - middle_x) / by
                if per_square != 0.0:
                    far = (x - middle_x) ** 2 + (y - middle_y) ** 2
                    both = by * _undistorted(far, per_square)
                    u = middle_x + (x - middle_x) / both
                    i, (e, f, g, h) = _place(middle_y + (y - middle_y) / both, rows)
                j, (a, b, c, d) = _place(u, columns)
                total = 0.0
                for k in range(4):
                    p = i - 1 + k
                    weight = e if k == 0 else f if k == 1 else g if k == 2 else h
                    total += weight * (
                        a * image[p, j - 1]
                        + b * image[p, j]
                        + c * image[p, j + 1]
                        + d * image[p, j + 2]
                    )
                # A cubic undershoots beside an edge, and there is no light below none.
                out[y, x] = max(total, 0.0)


_magnify = kernel(fastmath=True)(_magnify_kernel)


def _lit(lines: NDArray[np.bool_], reach: int) -> tuple[int, int]:
    """Return the first line with light, and the one behind the last, widened by a reach."""
    found = np.flatnonzero(lines)
    if not found.size:
        return 0, 0
    return max(0, int(found[0]) - reach), min(len(lines), int(found[-1]) + reach + 1)


def lateral_colour(
    image: Pixels,
    pattern: NDArray[np.int64],
    lateral: tuple[float, float],
    axis: tuple[float, float],
    distortion: float = 0.0,
) -> Pixels:
    """Return an image in which red and blue pixels see it magnified about the axis, or distorted.

    Parameters
    ----------
    image : ndarray of float32, shape (H, W)
        Blurred: it is interpolated by cubics.
    pattern : ndarray of int, shape (2, 2)
        Colour (0 R, 1 G, 2 B) of each place of the mosaic.
    lateral : tuple of float
        Magnification of red and blue, less 1.
    axis : tuple of float
        (x, y), pixels.
    distortion : float
        As in `Optics`.

    Returns
    -------
    ndarray of float32, shape (H, W)
    """
    if lateral == (0.0, 0.0) and distortion == 0.0:
        return image
    # Prominences are in a small part of the frame.
    shift = max(*map(abs, lateral), abs(distortion)) * float(np.hypot(*image.shape))
    reach = 4 + int(2.0 * shift)
    light = image != 0.0
    out = np.zeros_like(image)
    box = (*_lit(light.any(axis=1), reach), *_lit(light.any(axis=0), reach))
    grown = np.array([1.0 + lateral[0], 1.0, 1.0 + lateral[1]])
    per_square = distortion / (np.hypot(*image.shape) / 2) ** 2
    _magnify(image, out, box, pattern, grown, axis, float(per_square))
    return out
