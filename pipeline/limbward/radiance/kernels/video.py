"""Pieces of a video's pictures: where they lie on the reference, and their sum."""

from __future__ import annotations

import numpy as np

from limbward.compiled import kernel
from limbward.radiance.kernels.inputs import Floats, Pixels

ROUNDS = 4  # of Gauss and Newton; what is left then is a hundredth of a pixel


@kernel
def track_pieces(
    first: int,
    last: int,
    smooth: Pixels,
    reference: Pixels,
    pieces: Floats,
    size: tuple[int, int],
    stiff: float,
    reach: float,
) -> None:
    """Find where pieces of the reference lie in a picture.

    Least squares on the gradient. A shift that the picture does not tell, such as one along a
    straight limb, stays what it is: it is held by a spring whose strength follows from what is left
    of the difference.

    Parameters
    ----------
    first, last : int
        Pieces to do.
    smooth, reference : ndarray, shape (H, W)
        Of one brightness, and smooth over some pixels.
    pieces : ndarray, shape (T, 4)
        Corner x, y in the reference, and the shift from there to the picture, which is corrected.
    size : tuple of int
        Height and width of a piece.
    stiff : float
        Pixels that agree by chance in ``smooth``, over the square of the shift expected.
    reach : float
        Furthest correction, pixels.
    """
    height, width = reference.shape
    for t in range(first, last):
        x0, y0 = int(pieces[t, 0]), int(pieces[t, 1])
        held_x, held_y = pieces[t, 2], pieces[t, 3]
        sx, sy = held_x, held_y
        for _ in range(ROUNDS):
            ix, iy = int(np.floor(sx)), int(np.floor(sy))
            fx, fy = np.float32(sx - ix), np.float32(sy - iy)
            xx, xy, yy, bx, by, left, n = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0
            for y in range(max(y0, 1, -iy), min(y0 + size[0], height - 1, height - 1 - iy)):
                for x in range(max(x0, 1, -ix), min(x0 + size[1], width - 1, width - 1 - ix)):
                    u, v = x + ix, y + iy
                    upper = (1 - fx) * smooth[v, u] + fx * smooth[v, u + 1]
                    lower = (1 - fx) * smooth[v + 1, u] + fx * smooth[v + 1, u + 1]
                    d = (1 - fy) * upper + fy * lower - reference[y, x]
                    gx = np.float32(0.5) * (reference[y, x + 1] - reference[y, x - 1])
                    gy = np.float32(0.5) * (reference[y + 1, x] - reference[y - 1, x])
                    xx += gx * gx
                    xy += gx * gy
                    yy += gy * gy
                    bx += gx * d
                    by += gy * d
                    left += d * d
                    n += 1
            if n == 0:
                break
            spring = stiff * left / n + 1e-12
            bx += spring * (sx - held_x)
            by += spring * (sy - held_y)
            xx += spring
            yy += spring
            determinant = xx * yy - xy * xy
            if determinant <= 0.0:
                break
            step_x = (yy * bx - xy * by) / determinant
            step_y = (xx * by - xy * bx) / determinant
            sx = min(max(sx - step_x, held_x - reach), held_x + reach)
            sy = min(max(sy - step_y, held_y - reach), held_y + reach)
        pieces[t, 2], pieces[t, 3] = sx, sy


@kernel
def add_pieces(
    data: Pixels,
    lattice: tuple[int, int, int],
    pieces: Floats,
    window: Pixels,
    base: Pixels,
    picture: Pixels,
) -> None:
    """Add up shifted pieces of one picture, by cubic convolution.

    Parameters
    ----------
    data : ndarray, shape (H, W)
    lattice : tuple of int
        Step, first row and first column of the samples that count: those of one colour.
    pieces : ndarray, shape (T, 4)
        Corner x, y on the result, and the shift from there to the picture.
    window : ndarray, shape (n, n)
        Weights of a piece.
    base : ndarray, shape (H, W)
        Taken off each value, so that small sums keep their digits.
    picture : ndarray, shape (2, H, W)
        Sums of the weights and of weighted values.

    References
    ----------
    R. G. Keys, *Cubic convolution interpolation for digital image processing*, IEEE Trans. ASSP 29
    (1981) 1153.
    """
    step, row, column = lattice
    height, width = base.shape
    rows, columns = (data.shape[0] - row - 1) // step + 1, (data.shape[1] - column - 1) // step + 1
    n = window.shape[0]
    wx, at_x = np.empty((n, 4), np.float32), np.empty(n, np.int64)
    for t in range(pieces.shape[0]):
        x0, y0 = int(pieces[t, 0]), int(pieces[t, 1])
        for i in range(n):
            u = (x0 + i + pieces[t, 2] - column) / step
            at_x[i] = int(np.floor(u))
            _cubic(u - at_x[i], wx[i])
        wy = np.empty(4, np.float32)
        for j in range(n):
            y = y0 + j
            v = (y + pieces[t, 3] - row) / step
            iv = int(np.floor(v))
            if y < 0 or y >= height or iv < 1 or iv + 2 >= rows:
                continue
            _cubic(v - iv, wy)
            for i in range(n):
                x, iu = x0 + i, at_x[i]
                if x < 0 or x >= width or iu < 1 or iu + 2 >= columns:
                    continue
                total = np.float32(0.0)
                for b in range(4):
                    r = row + step * (iv - 1 + b)
                    line = np.float32(0.0)
                    for a in range(4):
                        line += wx[i, a] * data[r, column + step * (iu - 1 + a)]
                    total += wy[b] * line
                if total != total:
                    continue
                w = window[j, i]
                picture[0, y, x] += w
                picture[1, y, x] += w * (total - base[y, x])


@kernel
def add_picture(picture: Pixels, sums: Pixels) -> None:
    """Add one picture to the sums over all, and empty it.

    Pieces of one picture that overlap have the same noise: they are one value, not several.

    Parameters
    ----------
    picture : ndarray, shape (2, H, W)
        From `add_pieces`.
    sums : ndarray, shape (4, H, W)
        Of the weights, of weighted values and their squares, and of the squared weights.
    """
    for y in range(sums.shape[1]):
        for x in range(sums.shape[2]):
            w = picture[0, y, x]
            if w > 0.0:
                weighted = picture[1, y, x]
                sums[0, y, x] += w
                sums[1, y, x] += weighted
                sums[2, y, x] += weighted * weighted / w
                sums[3, y, x] += w * w
            picture[0, y, x] = np.float32(0.0)
            picture[1, y, x] = np.float32(0.0)


@kernel(inner=True)
def _cubic(f: float, out: Pixels) -> None:
    """Write the weights of the samples at -1, 0, 1 and 2 for a place between 0 and 1."""
    out[0] = ((-0.5 * f + 1.0) * f - 0.5) * f
    out[1] = (1.5 * f - 2.5) * f * f + 1.0
    out[2] = ((-1.5 * f + 2.0) * f + 0.5) * f
    out[3] = (0.5 * f - 0.5) * f * f
