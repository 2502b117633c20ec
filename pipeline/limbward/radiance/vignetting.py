"""How a lens darkens the corners, from frames of totality alone, where there are no flats.

The corona is white: free electrons and dust scatter sunlight without changing its colour. The sky
in totality is not. So what a frame has of blue light beyond a fixed multiple of its red light is
sky alone, whatever the corona looks like and whatever it scatters in the lens, and over the few
degrees of a telescope's field that sky is a plane. What keeps it from being one is the lens.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from limbward.geometry.disc import Disc

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

RED, BLUE = 0, 2
CELLS = 48  # along the longer side, of which each is compared as one
NEAREST = 1.25  # solar radii: beside the limb there are prominences
LINEAR = 0.5  # of the range, up to which a response is taken as straight
BRIGHTEST = 0.9  # quantile of the cells from which on there is next to no sky
LEAST = 0.3  # of the usual colour of the sky: where it is less, other light counts
SEEN = 5.0  # standard errors of a cell that the sky's colour must have
FEWEST = 300  # cells of a frame that must be left
MOST_FRAMES, FEWEST_FRAMES = 12, 4
# Degrees across a frame's corners. The sky of totality changes over some twenty degrees: at five
# from the middle what is no plane is 3 % of it.
WIDEST_DEG = 10.0
CERTAIN = 5.0  # standard errors of the darkening in the corner
SLIGHT, DEEPEST = 0.02, 0.9  # darkening of a corner that matters, and that is believed
# Of the darkening: that a lens's axis is a twentieth of the half diagonal from the middle, and a
# sky no plane, makes 3 to 8 % on simulated cards.
SHAPE = 0.1
ROUNDS = 3  # of weights that fall off for what is far off


@dataclass(frozen=True)
class Vignetting:
    """A lens's light over the field, ``1 - a q - b q**2``.

    q is the square of the distance from the frame's middle, in half diagonals.

    Attributes
    ----------
    a, b : float
    sigma : float
        Standard error of the darkening in the corner, ``a + b``.
    """

    a: float
    b: float
    sigma: float

    def inverse_flat(self, height: int, width: int, rows: slice = slice(None)) -> Pixels:
        """Return rows of what to multiply a frame (height, width) by, 1 in its middle."""
        y, x = np.arange(height, dtype=np.float64)[rows, None], np.arange(width, dtype=np.float64)
        return np.asarray(1.0 / _light(_squares(x, y, width, height), self.a, self.b), np.float32)

    def words(self) -> str:
        """Return what was done to the frames."""
        return (
            f"Corners brightened: the lens leaves them {100 * (self.a + self.b):.0f} % darker than "
            "the middle, judged by the colour of the sky in totality (there are no flats)."
        )


@dataclass(frozen=True)
class Cells:
    """What a frame shows in M cells.

    ``red`` and ``blue`` light and blue's error, what shifts and growth of red would change
    (``moves``, (M, 3)), a ``plane`` (M, 3) over the field, and the squares ``q`` of `Vignetting`.
    """

    red: Floats
    blue: Floats
    sigma: Floats
    moves: Floats
    plane: Floats
    q: Floats


def shows_a_plane(width: int, height: int, scale_arcsec: float) -> bool:
    """Return whether the sky of totality is a plane over frames of a size and plate scale."""
    return bool(np.hypot(width, height) * scale_arcsec < 3600.0 * WIDEST_DEG)


def _light(q: Floats, a: float, b: float) -> Floats:
    return np.asarray(1.0 - a * q - b * q**2)


def _squares(x: Floats, y: Floats, width: float, height: float) -> Floats:
    dx, dy = x - (width - 1.0) / 2.0, y - (height - 1.0) / 2.0
    return np.asarray(4.0 * (dx**2 + dy**2) / (width**2 + height**2))


def cells_of(planes: Pixels, factor: int, sun: Disc, range_adu: float) -> Cells | None:
    """Return what a frame shows of the sky beside the corona; None if that is too little.

    Parameters
    ----------
    planes : ndarray of float32, shape (3, h, w)
        The frame reduced, ADU above black; NaN where saturated.
    factor : int
        By how much.
    sun : Disc
        In the full frame.
    range_adu : float
        From black to where pixels end.
    """
    h, w = planes.shape[1:]
    n = max(2, max(h, w) // CELLS)
    rows, columns = h // n, w // n

    def parts(image: NDArray[np.floating]) -> Floats:
        cut = image[: rows * n, : columns * n].astype(np.float64).reshape(rows, n, columns, n)
        return cut.transpose(0, 2, 1, 3).reshape(rows, columns, n * n)

    red, blue = parts(planes[RED]), parts(planes[BLUE])
    # Red and blue samples lie beside each other, and a lens draws red larger or smaller than blue.
    down, across = np.gradient(planes[RED])
    y, x = np.indices((h, w), dtype=np.float64)
    grown = across * (x - 0.5 * w) + down * (y - 0.5 * h)
    moves = np.stack([parts(m).mean(-1) for m in (across, down, grown)], axis=-1)
    y, x = (factor * (n * (v + 0.5)) - 0.5 for v in np.indices((rows, columns), dtype=np.float64))
    away = np.hypot(x - sun.x, y - sun.y) - 0.7 * n * factor
    brightest = np.maximum(red.max(axis=-1), blue.max(axis=-1))  # NaN where any sample is
    good = np.isfinite(moves).all(-1) & (brightest < LINEAR * range_adu)
    good &= away > NEAREST * sun.radius
    if np.count_nonzero(good) < FEWEST:
        return None
    r, b = _mean(red[good]), _mean(blue[good])
    noise = np.median(np.abs(np.diff(blue[good], axis=-1)), axis=-1) / n
    bright = r > np.quantile(r, BRIGHTEST)
    beyond = np.abs(b - r * np.median(b[bright] / r[bright]))
    usual = float(np.median(beyond))
    seen = beyond > LEAST * usual
    if usual < SEEN * float(np.median(noise)) or np.count_nonzero(seen) < FEWEST:
        return None
    width, height = w * factor, h * factor
    plane = np.stack([np.ones_like(x), 2.0 * x / width - 1.0, 2.0 * y / height - 1.0], axis=-1)
    return Cells(
        r[seen], b[seen], (np.maximum(noise, 1e-6 * range_adu) + 1e-3 * np.abs(b))[seen],
        moves[good][seen], plane[good][seen], _squares(x, y, width, height)[good][seen],
    )  # fmt: skip


def _mean(values: Floats) -> Floats:
    """Return means of cells (M, n) without their extremes, such as hot pixels."""
    cut = max(1, values.shape[-1] // 16)
    return np.asarray(np.sort(values, axis=-1)[:, cut:-cut].mean(axis=-1))


def find_vignetting(frames: Iterable[Cells | None]) -> Vignetting | None:
    """Return the darkening that frames of totality show; None if they show none for certain.

    Parameters
    ----------
    frames : iterable of Cells or None
        Those that show most of the sky first; `MOST_FRAMES` at most are looked at.
    """
    known: list[Cells] = []
    for cells in frames:
        known += [] if cells is None else [cells]
        if len(known) == MOST_FRAMES:
            break
    if len(known) < FEWEST_FRAMES:
        return None
    a, b = _fit(known)
    # What differs from frame to frame, cloud above all, is an error: a quarter is left out in turn.
    n = len(known)
    others = ([f for i, f in enumerate(known) if 4 * i // n != part] for part in range(4))
    corner = np.array([sum(_fit(some)) for some in others])
    scatter = float(np.sqrt(0.75 * ((corner - corner.mean()) ** 2).sum()))
    deep = a + b
    # Light falls from the middle outwards all the way.
    falls = a >= 0.0 and a + 2.0 * b >= 0.0
    if not (falls and max(SLIGHT, CERTAIN * scatter) < deep < DEEPEST):
        return None
    return Vignetting(a, b, float(np.hypot(scatter, SHAPE * deep)))


def _fit(frames: Sequence[Cells]) -> tuple[float, float]:
    """Return a and b of `Vignetting`; all else is each frame's own, and linear."""
    damp = [np.ones_like(f.red) for f in frames]

    def rest(p: Floats) -> list[Floats]:
        out = []
        for f, d in zip(frames, damp, strict=True):
            sky = f.plane * _light(f.q, p[0], p[1])[:, None]
            root = d / f.sigma
            design = np.column_stack([f.red, f.moves, sky]) * root[:, None]
            design /= np.sqrt((design**2).sum(axis=0)) + 1e-30
            right = f.blue * root
            out.append(right - design @ np.linalg.lstsq(design, right, rcond=None)[0])
        return out

    p = np.zeros(2)
    for _ in range(ROUNDS):
        found = least_squares(lambda p: np.concatenate(rest(p)), p, bounds=(-1.0, 2.0))
        p = found.x
        for d, left in zip(damp, rest(p), strict=True):
            off = left / d
            spread = max(1.4826 * float(np.median(np.abs(off))), 1e-9)
            d[:] = 1.0 / np.sqrt(1.0 + (off / (3.0 * spread)) ** 2)
    return float(p[0]), float(p[1])
