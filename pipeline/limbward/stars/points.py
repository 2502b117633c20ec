"""Points of light in a frame of totality: where they are, and how bright."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter
from scipy.special import erf

from limbward.camera.frame import GREEN, RawFrame
from limbward.camera.luminance import SATURATED, Plane

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

COLUMNS = ("x", "y", "place_sigma", "signal", "signal_sigma")
SHORTEST_S = 0.03  # a star of magnitude 8 gives some 500 electrons then through 100 mm of lens
SKYLIT = 0.002  # of the range: a sky this bright outshines read noise, as totality's does
BLOCK = 24  # cells: small beside the corona's fall, many samples in each
NARROW, WIDE = 0.8, 2.5  # cells, widths of the filter that lets points pass
SIGNIFICANT = 3.5
MOST = 200  # points of a frame, the strongest
PIECE = 256  # rows of cells gone through at a time
HALF = 4  # pixels of the window in which a point is measured
RING = 8  # pixels: its background is measured out to here
WIDTHS = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8)  # pixels, of a point's Gaussian
STRONGEST = 8  # points that tell the width of all
ALL_IN_ONE = 0.8  # of the light: a hot pixel has all of it, the sharpest star six tenths


def may_show_stars(plane: Plane, range_adu: float, exposure_s: float | None) -> bool:
    """Return whether a frame is exposed long enough to be searched for stars.

    Parameters
    ----------
    plane : Plane
    range_adu : float
        White level above black.
    exposure_s : float or None
    """
    if exposure_s is None or exposure_s < SHORTEST_S:
        return False
    return bool(SKYLIT * range_adu < np.median(_rim(plane.image)) < 0.8 * range_adu)


def find_points(frame: RawFrame, plane: Plane) -> Floats:
    """Return the points of light of a frame, the strongest first.

    Parameters
    ----------
    frame : RawFrame
    plane : Plane
        Its greens.

    Returns
    -------
    ndarray, shape (N, 5)
        Place x, y and its standard error in raw pixels, signal and its standard error in ADU of
        green.

    Notes
    -----
    They are looked for in cells of a mosaic and measured in the frame's own pixels, by a Gaussian
    of the width that the frame's strongest have. Red and blue pixels are brought to the level of
    the green ones by the sky around the point.
    """
    plane = _all_colours(frame, plane)
    snr = _significance(plane)
    rows, columns = _peaks(snr)
    order = np.argsort(-snr[rows, columns], kind="stable")[:MOST]
    del snr
    x = plane.origin[0] + plane.scale * columns[order]
    y = plane.origin[1] + plane.scale * rows[order]
    boxes = _boxes(frame, list(zip(x.tolist(), y.tolist(), strict=True)))
    width = _width_of(boxes)
    found = []
    for box in boxes:
        fit = _fitted(box, width)
        if fit is not None and fit.signal > SIGNIFICANT * fit.signal_sigma:
            place = (box.column + fit.u, box.row + fit.v, fit.place_sigma)
            found.append((*place, fit.signal, fit.signal_sigma))
    out = np.array(found).reshape(-1, len(COLUMNS))
    return _once(out[np.argsort(-out[:, 3] / out[:, 4], kind="stable")])


def _all_colours(frame: RawFrame, greens: Plane) -> Plane:
    """Return the cells of a mosaic of 2 x 2 with the light of all their colours.

    Greens alone would have half of the light of a star that is as sharp as a pixel, and none of it
    at times. Of other frames the green plane is returned.
    """
    if frame.pattern.shape != (2, 2):
        return greens
    h, w = frame.height // 2, frame.width // 2
    total = np.zeros((h, w), np.float32)
    clipped = np.zeros((h, w), bool)
    for i in (0, 1):
        for j in (0, 1):
            raw = frame.data[i : 2 * h : 2, j : 2 * w : 2]
            total += raw
            clipped |= raw >= SATURATED * frame.white
    if greens.saturated.shape == clipped.shape:
        clipped |= greens.saturated
    return Plane(0.25 * total - np.float32(frame.black.mean()), clipped, 2.0, (0.5, 0.5))


def _rim(image: Pixels) -> Pixels:
    return np.concatenate([image[:8:2].ravel(), image[-8::2].ravel()])


def _significance(plane: Plane) -> Pixels:
    """Return how far each cell stands out as a point, in standard deviations; 0 where clipped.

    All is done in place and by rows of blocks: of a large sensor each plane has 60 MB and more.
    """
    out = gaussian_filter(plane.image, NARROW)
    out -= gaussian_filter(plane.image, WIDE)
    h, w = (n // BLOCK for n in out.shape)
    if min(h, w) < 2:
        return np.zeros_like(out)
    middle, spread = np.empty((2, h, w), np.float32)
    for i in range(h):
        row = out[i * BLOCK : (i + 1) * BLOCK, : w * BLOCK].reshape(BLOCK, w, BLOCK)
        blocks = row.swapaxes(0, 1).reshape(w, BLOCK * BLOCK)
        middle[i] = np.median(blocks, axis=1)
        spread[i] = 1.4826 * np.median(np.abs(blocks - middle[i, :, None]), axis=1)
    for top in range(0, len(out), BLOCK):
        rows = slice(top, min(top + BLOCK, len(out)))
        out[rows] -= _enlarged(middle, out.shape, rows)
        out[rows] /= np.maximum(_enlarged(spread, out.shape, rows), 1e-6)
    out[maximum_filter(plane.saturated, 7)] = 0.0
    out[:2], out[-2:], out[:, :2], out[:, -2:] = 0.0, 0.0, 0.0, 0.0
    return out


def _peaks(snr: Pixels) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return rows and columns of the cells that stand out most among their neighbours."""
    found = []
    for top in range(0, len(snr), PIECE):
        first, last = max(top - 1, 0), min(top + PIECE + 1, len(snr))
        piece = snr[first:last]
        peak = (piece > SIGNIFICANT) & (piece == maximum_filter(piece, 3))
        rows, columns = np.nonzero(peak[top - first : top - first + PIECE])
        found.append((rows + top, columns))
    rows, columns = (np.concatenate(part) for part in zip(*found, strict=True))
    return rows, columns


def _enlarged(blocks: Pixels, shape: tuple[int, ...], rows: slice) -> Pixels:
    """Return blocks' values at every cell of some rows, interpolated."""
    weights = []
    for n, count in zip(shape, blocks.shape, strict=True):
        at = np.clip((np.arange(n) + 0.5) / BLOCK - 0.5, 0, count - 1)
        low = np.minimum(at.astype(int), count - 2)
        weights.append((low, (at - low).astype(np.float32)))
    (i, u), (j, v) = weights
    i, u = i[rows], u[rows]
    across = blocks[i] * (1 - u)[:, None] + blocks[i + 1] * u[:, None]
    return np.asarray(across[:, j] * (1 - v) + across[:, j + 1] * v, np.float32)


def _boxes(frame: RawFrame, places: list[tuple[float, float]]) -> list[Box]:
    """Return the surroundings of those places that lie well inside."""
    found = []
    for x, y in places:
        column, row = round(x), round(y)
        left, top = column - RING, row - RING
        if min(left, top) < 0 or left + 2 * RING >= frame.width or top + 2 * RING >= frame.height:
            continue
        value, spread = _level(frame, left, top)
        if value is not None and spread is not None:
            found.append(Box(column, row, value, spread, (x - column, y - row)))
    return found


@dataclass(frozen=True)
class Box:
    """Pixels around ``column`` and ``row`` without their sky, their noise, and where to begin."""

    column: int
    row: int
    value: Floats
    spread: Floats
    start: tuple[float, float]


@dataclass(frozen=True)
class Fit:
    """A point fitted: its place from the box's middle, signal, standard errors, and misfit."""

    u: float
    v: float
    signal: float
    signal_sigma: float
    place_sigma: float
    misfit: float


def _width_of(boxes: list[Box]) -> float:
    """Return how wide points are in a frame, pixels: what fits its strongest ones best."""
    worst = []
    for width in WIDTHS:
        fits = [_fitted(box, width) for box in boxes[:STRONGEST]]
        worst.append(float(np.median([f.misfit for f in fits if f is not None] or [np.inf])))
    return WIDTHS[int(np.argmin(worst))]


def _fitted(box: Box, width: float) -> Fit | None:
    """Return a point of a given width by weighted least squares; None for what is none."""
    near = np.arange(-HALF, HALF + 1).astype(float)
    inner = slice(RING - HALF, RING + HALF + 1)
    value, weight = box.value[inner, inner], 1.0 / box.spread[inner, inner] ** 2
    u, v = box.start
    amplitude, level = 0.0, 0.0  # what the sky's fit around leaves here goes with the point
    normal = np.eye(4)
    for step in range(15):
        (gx, dx), (gy, dy) = _profile(near - u, width), _profile(near - v, width)
        shape = gy[:, None] * gx[None, :]
        if step == 0:
            amplitude = float((weight * shape * value).sum() / (weight * shape**2).sum())
            if amplitude <= 0.0:
                return None
        slopes = np.stack(
            [
                shape,
                amplitude * gy[:, None] * dx[None, :],
                amplitude * dy[:, None] * gx[None, :],
                np.ones_like(shape),
            ]
        )
        rest = value - amplitude * shape - level
        normal = np.einsum("aij,bij,ij->ab", slopes, slopes, weight)
        try:
            change = np.linalg.solve(normal, np.einsum("aij,ij,ij->a", slopes, rest, weight))
        except np.linalg.LinAlgError:
            return None
        amplitude, level = amplitude + float(change[0]), level + float(change[3])
        u, v = u + float(np.clip(change[1], -0.7, 0.7)), v + float(np.clip(change[2], -0.7, 0.7))
        if amplitude <= 0.0 or max(abs(u), abs(v)) > HALF / 2:
            return None
        if np.abs(change[1:3]).max() < 1e-3:
            break
    covariance = np.linalg.inv(normal)
    core = (np.abs(near - u) <= 1.5)[None, :] & (np.abs(near - v) <= 1.5)[:, None]
    light = value[core] - level
    if light.size == 0 or light.max() > ALL_IN_ONE * light.sum():
        return None
    place = float(np.sqrt(0.5 * (covariance[1, 1] + covariance[2, 2])))
    misfit = float(np.mean(rest**2 * weight))
    return Fit(u, v, amplitude, float(np.sqrt(covariance[0, 0])), place, misfit)


def _profile(x: Floats, width: float) -> tuple[Floats, Floats]:
    """Return the part of a Gaussian's light in pixels at x, and its slope with the place."""
    low, high = (x - 0.5) / (np.sqrt(2.0) * width), (x + 0.5) / (np.sqrt(2.0) * width)
    slope = (np.exp(-(low**2)) - np.exp(-(high**2))) / (np.sqrt(2.0 * np.pi) * width)
    return 0.5 * (erf(high) - erf(low)), slope


def _level(frame: RawFrame, left: int, top: int) -> tuple[Floats, Floats] | tuple[None, None]:
    """Return a box of pixels less their sky in units of green, and each one's noise."""
    side = 2 * RING + 1
    rows, columns = slice(top, top + side), slice(left, left + side)
    if frame.data.ndim == 3:
        value = frame.data[GREEN, rows, columns].astype(float) - float(frame.black.ravel()[GREEN])
        colour = np.zeros((side, side), int)
    else:
        value = frame.data[rows, columns].astype(float)
        at = np.ix_(*((start + np.arange(side)) % n for start, n in zip(
            (top, left), frame.pattern.shape, strict=True
        )))  # fmt: skip
        black = frame.black if frame.black.shape == frame.pattern.shape else None
        value -= frame.black.ravel()[0] if black is None else black[at]
        colour = frame.pattern[at] if frame.is_mosaic else np.zeros((side, side), int)
    if not np.isfinite(value).all():
        return None, None
    outside = _OUTSIDE
    skies = {c: float(np.median(value[outside & (colour == c)])) for c in np.unique(colour)}
    green = skies.get(GREEN, next(iter(skies.values())))
    if min(skies.values()) <= 0.0:
        return None, None
    for c, sky in skies.items():
        value[colour == c] *= green / sky
    # The corona falls and bends within a box; what does so is the same in all colours.
    kept = outside
    for _ in range(2):
        smooth, *_ = np.linalg.lstsq(_SMOOTH[kept], value[kept], rcond=None)
        rest = value - _SMOOTH @ smooth
        kept = outside & (np.abs(rest) < 4.0 * 1.4826 * np.median(np.abs(rest[outside])) + 1e-6)
    noise = np.empty_like(rest)
    for c in skies:
        mine = colour == c
        noise[mine] = max(1.4826 * float(np.median(np.abs(rest[outside & mine]))), 1e-6)
    return rest, noise


def _smooth() -> tuple[NDArray[np.bool_], Floats]:
    """Return the ring of a box, and the polynomials that its sky is made of, shape (H, W, 10)."""
    at = np.arange(-RING, RING + 1) / RING
    x, y = np.meshgrid(at, at)
    ring = np.maximum(np.abs(x), np.abs(y)) > HALF / RING
    powers = [(i, j) for i in range(4) for j in range(4 - i)]
    return ring, np.stack([x**i * y**j for i, j in powers], axis=-1)


_OUTSIDE, _SMOOTH = _smooth()


def _once(points: Floats) -> Floats:
    """Return points without those that are within two pixels of a stronger one."""
    kept: list[int] = []
    for k in range(len(points)):
        near = np.hypot(*(points[kept, :2] - points[k, :2]).T) < 2.0
        if not near.any():
            kept.append(k)
    return points[kept]
