"""Points of light in a frame of totality: where they are, and how bright."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from scipy.special import erf

from limbward.camera.frame import GREEN, RawFrame
from limbward.camera.luminance import SATURATED, Plane, reaches

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]

COLUMNS = ("x", "y", "place_sigma", "signal", "signal_sigma")
SHORTEST_S = 0.03  # a star of magnitude 8 gives some 500 electrons then through 100 mm of lens
SKYLIT = 0.002  # of the range: a sky this bright outshines read noise, as totality's does
BLOCK = 24  # cells: small beside the corona's fall, many samples in each
NARROW, WIDE = 0.8, 2.5  # cells, widths of the filter that lets points pass
SIGNIFICANT = 3.5
MOST = 200  # points of a frame, the strongest
BESIDE = 3  # cells: nearer to a clipped one nothing is a point
HALF = 4  # pixels of the window in which a point is measured
RING = 8  # pixels: its background is measured out to here
WIDTHS = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8)  # pixels, of a point's Gaussian
STEPS = 15  # of a fit, at most
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
    rows, columns = _peaks(snr, plane.saturated)
    order = np.argsort(-snr[rows, columns], kind="stable")[:MOST]
    del snr
    if order.size == 0:
        return np.empty((0, len(COLUMNS)))
    x: Floats = plane.origin[0] + plane.scale * columns[order].astype(float)
    y: Floats = plane.origin[1] + plane.scale * rows[order].astype(float)
    boxes = _boxes(frame, x, y)
    if len(boxes.column) == 0:
        return np.empty((0, len(COLUMNS)))
    fits = _fitted(boxes, _width_of(boxes))
    kept = fits.found & (fits.signal > SIGNIFICANT * fits.signal_sigma)
    out = np.column_stack(
        [boxes.column + fits.u, boxes.row + fits.v, fits.place_sigma, fits.signal,
         fits.signal_sigma]
    )[kept]  # fmt: skip
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
            clipped |= reaches(raw, SATURATED * frame.white)
    if greens.saturated.shape == clipped.shape:
        clipped |= greens.saturated
    return Plane(0.25 * total - np.float32(frame.black.mean()), clipped, 2.0, (0.5, 0.5))


def _rim(image: Pixels) -> Pixels:
    return np.concatenate([image[:8:2].ravel(), image[-8::2].ravel()])


def _significance(plane: Plane) -> Pixels:
    """Return how far each cell stands out as a point, in standard deviations.

    All is done in place and by rows of blocks: of a large sensor each plane has 60 MB and more.
    """
    out = gaussian_filter(plane.image, NARROW)
    out -= gaussian_filter(plane.image, WIDE)
    h, w = (n // BLOCK for n in out.shape)
    if min(h, w) < 2:
        return np.zeros_like(out)
    middle, spread = np.empty((2, h, w), np.float32)
    for i in range(h):
        # Every second row: filtered cells say much the same as those beside them.
        row = out[i * BLOCK : (i + 1) * BLOCK : 2, : w * BLOCK].reshape(-1, w, BLOCK)
        blocks = row.swapaxes(0, 1).reshape(w, -1)
        middle[i] = np.median(blocks, axis=1)
        spread[i] = 1.4826 * np.median(np.abs(blocks - middle[i, :, None]), axis=1)
    for top in range(0, len(out), BLOCK):
        rows = slice(top, min(top + BLOCK, len(out)))
        out[rows] -= _enlarged(middle, out.shape, rows)
        out[rows] /= np.maximum(_enlarged(spread, out.shape, rows), 1e-6)
    return out


def _peaks(snr: Pixels, saturated: Mask) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return rows and columns of the cells that stand out most among their neighbours.

    Those beside clipped cells and at the edges are left out.
    """
    rows, columns = np.nonzero(snr > SIGNIFICANT)
    h, w = snr.shape
    edge = BESIDE + 1
    inside = (rows >= edge) & (rows < h - edge) & (columns >= edge) & (columns < w - edge)
    rows, columns = rows[inside], columns[inside]
    for j in (-1, 0, 1):
        for i in (-1, 0, 1):
            highest = snr[rows, columns] >= snr[rows + j, columns + i]
            rows, columns = rows[highest], columns[highest]
    for j in range(-BESIDE, BESIDE + 1):
        for i in range(-BESIDE, BESIDE + 1):
            clear = ~saturated[rows + j, columns + i]
            rows, columns = rows[clear], columns[clear]
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


@dataclass(frozen=True)
class Boxes:
    """Pixels around N places.

    Attributes
    ----------
    column, row : ndarray of int, shape (N,)
        Of the middle.
    value, spread : ndarray, shape (N, S, S)
        Pixels without their sky, in units of green, and the noise of each.
    start : ndarray, shape (N, 2)
        Where in it to begin, x and y from the middle.
    """

    column: NDArray[np.int64]
    row: NDArray[np.int64]
    value: Floats
    spread: Floats
    start: Floats


@dataclass(frozen=True)
class Fits:
    """Points fitted in N boxes, (N,) each; only those that are ``found`` mean anything.

    Place from the box's middle, signal, standard errors, and misfit.
    """

    found: Mask
    u: Floats
    v: Floats
    signal: Floats
    signal_sigma: Floats
    place_sigma: Floats
    misfit: Floats


def _boxes(frame: RawFrame, x: Floats, y: Floats) -> Boxes:
    """Return the surroundings of those places that lie well inside and have a sky."""
    column, row = np.rint(x).astype(np.int64), np.rint(y).astype(np.int64)
    left, top = column - RING, row - RING
    inside = (left >= 0) & (left + 2 * RING < frame.width)
    inside &= (top >= 0) & (top + 2 * RING < frame.height)
    column, row, start = column[inside], row[inside], np.column_stack([x - column, y - row])[inside]
    value, spread, good = _levels(frame, left[inside], top[inside])
    return Boxes(column[good], row[good], value[good], spread[good], start[good])


def _width_of(boxes: Boxes) -> float:
    """Return how wide points are in a frame, pixels: what fits its strongest ones best."""
    first = slice(0, STRONGEST)
    strongest = Boxes(
        boxes.column[first], boxes.row[first], boxes.value[first], boxes.spread[first],
        boxes.start[first],
    )  # fmt: skip
    worst = []
    for width in WIDTHS:
        fits = _fitted(strongest, width)
        worst.append(float(np.median(fits.misfit[fits.found])) if fits.found.any() else np.inf)
    return WIDTHS[int(np.argmin(worst))]


def _fitted(boxes: Boxes, width: float) -> Fits:
    """Return points of a given width by weighted least squares, all boxes at a time."""
    near = np.arange(-HALF, HALF + 1).astype(float)
    inner = slice(RING - HALF, RING + HALF + 1)
    value, weight = boxes.value[:, inner, inner], 1.0 / boxes.spread[:, inner, inner] ** 2
    n = len(value)
    u, v = boxes.start.T.copy()
    # What the sky's fit around leaves here, the level, goes with the point.
    amplitude, level, misfit = np.zeros((3, n))
    found, going = np.ones(n, bool), np.ones(n, bool)
    normal = np.tile(np.eye(4), (n, 1, 1))
    for step in range(STEPS):
        k = np.flatnonzero(going)
        if k.size == 0:
            break
        (gx, dx), (gy, dy) = (_profile(near - at[k, None], width) for at in (u, v))
        shape = gy[:, :, None] * gx[:, None, :]
        if step == 0:
            matched = (weight * shape * value).sum(axis=(1, 2))
            amplitude = matched / (weight * shape**2).sum(axis=(1, 2))
        a = amplitude[k, None, None]
        slopes = np.stack(
            [
                shape,
                a * gy[:, :, None] * dx[:, None, :],
                a * dy[:, :, None] * gx[:, None, :],
                np.ones_like(shape),
            ],
            axis=1,
        ).reshape(k.size, 4, -1)
        rest = (value[k] - a * shape - level[k, None, None]).reshape(k.size, -1)
        weighed = slopes * weight[k].reshape(k.size, 1, -1)
        normal[k] = weighed @ slopes.swapaxes(1, 2) + _ridge(weighed, slopes)
        misfit[k] = np.mean(rest**2 * weight[k].reshape(k.size, -1), axis=1)
        change = np.linalg.solve(normal[k], weighed @ rest[:, :, None])[:, :, 0]
        amplitude[k] += np.where(amplitude[k] > 0.0, change[:, 0], 0.0)
        level[k] += change[:, 3]
        u[k] += np.clip(change[:, 1], -0.7, 0.7)
        v[k] += np.clip(change[:, 2], -0.7, 0.7)
        found[k] = (amplitude[k] > 0.0) & (np.maximum(np.abs(u[k]), np.abs(v[k])) <= HALF / 2)
        going[k] = found[k] & (np.abs(change[:, 1:3]).max(axis=1) >= 1e-3)
    covariance = np.linalg.inv(normal)
    core = (np.abs(near - v[:, None]) <= 1.5)[:, :, None]
    core = core & (np.abs(near - u[:, None]) <= 1.5)[:, None, :]
    light = np.where(core, value - level[:, None, None], 0.0).reshape(n, -1)
    found &= light.max(axis=1, initial=0.0) <= ALL_IN_ONE * light.sum(axis=1)
    place = np.sqrt(0.5 * (covariance[:, 1, 1] + covariance[:, 2, 2]))
    return Fits(found, u, v, amplitude, np.sqrt(covariance[:, 0, 0]), place, misfit)


def _ridge(weighed: Floats, slopes: Floats) -> Floats:
    """Return what keeps normal equations (N, 4, 4) of points without light soluble."""
    size = np.sum(weighed * slopes, axis=(1, 2))
    return np.asarray(1e-12 * size[:, None, None] * np.eye(4))


def _profile(x: Floats, width: float) -> tuple[Floats, Floats]:
    """Return the part of a Gaussian's light in pixels at x, and its slope with the place."""
    low, high = (x - 0.5) / (np.sqrt(2.0) * width), (x + 0.5) / (np.sqrt(2.0) * width)
    slope = (np.exp(-(low**2)) - np.exp(-(high**2))) / (np.sqrt(2.0 * np.pi) * width)
    return 0.5 * (erf(high) - erf(low)), slope


def _levels(
    frame: RawFrame, left: NDArray[np.int64], top: NDArray[np.int64]
) -> tuple[Floats, Floats, Mask]:
    """Return boxes of pixels less their sky in units of green, each one's noise, and which can be.

    ``left`` and ``top`` (N,) are of their first pixels.
    """
    side = np.arange(2 * RING + 1)
    rows, columns = (top[:, None] + side)[:, :, None], (left[:, None] + side)[:, None, :]
    if frame.data.ndim == 3:
        value = frame.data[GREEN, rows, columns].astype(float) - float(frame.black.ravel()[GREEN])
    else:
        value = frame.data[rows, columns].astype(float)
        if frame.black.shape == frame.pattern.shape:
            value -= frame.black[rows % frame.pattern.shape[0], columns % frame.pattern.shape[1]]
        else:
            value -= frame.black.ravel()[0]
    noise, good = np.empty_like(value), np.isfinite(value).all(axis=(1, 2))
    for mine, colours in _alike(frame, left, top):
        value[mine], good[mine] = _in_green(value[mine], colours, good[mine])
        value[mine], noise[mine] = _without_sky(value[mine], colours)
    return value, noise, good


def _alike(
    frame: RawFrame, left: NDArray[np.int64], top: NDArray[np.int64]
) -> Iterator[tuple[NDArray[np.int64], dict[int, Mask]]]:
    """Yield numbers of boxes in which a mosaic lies alike, and where in them each colour is."""
    side = 2 * RING + 1
    if frame.data.ndim == 3 or not frame.is_mosaic:
        yield np.arange(len(left)), {GREEN: np.ones((side, side), bool)}
        return
    h, w = frame.pattern.shape
    for y in range(h):
        for x in range(w):
            mine = np.flatnonzero((top % h == y) & (left % w == x))
            if mine.size:
                at = np.ix_((y + np.arange(side)) % h, (x + np.arange(side)) % w)
                colour = frame.pattern[at]
                yield mine, {int(c): colour == c for c in np.unique(colour)}


def _in_green(value: Floats, colours: dict[int, Mask], good: Mask) -> tuple[Floats, Mask]:
    """Return boxes (N, S, S) with all colours at the level of green, and which have a sky."""
    skies = {c: np.median(value[:, _OUTSIDE & at], axis=1) for c, at in colours.items()}
    green = skies.get(GREEN, next(iter(skies.values())))
    good = good & (np.min(list(skies.values()), axis=0) > 0.0)
    out = value.copy()
    for c, at in colours.items():
        out[:, at] *= (green / np.where(good, skies[c], 1.0))[:, None]
    return np.where(good[:, None, None], out, 1.0), good


def _without_sky(value: Floats, colours: dict[int, Mask]) -> tuple[Floats, Floats]:
    """Return boxes (N, S, S) less their sky, and the noise of each pixel.

    The corona falls and bends within a box; what does so is the same in all colours.
    """
    terms = _SMOOTH.reshape(-1, _SMOOTH.shape[-1])
    flat, outside = value.reshape(len(value), -1), _OUTSIDE.ravel()
    kept = np.broadcast_to(outside, flat.shape).astype(float)
    rest: Floats = flat
    for _ in range(2):
        weighed = kept[:, None, :] * terms.T
        normal = weighed @ terms + 1e-9 * np.eye(terms.shape[1])
        smooth = np.linalg.solve(normal, weighed @ flat[:, :, None])
        rest = flat - (terms @ smooth)[:, :, 0]
        spread = 1.4826 * np.median(np.abs(rest[:, outside]), axis=1)
        kept = (outside & (np.abs(rest) < 4.0 * spread[:, None] + 1e-6)).astype(float)
    rest = rest.reshape(value.shape)
    noise: Floats = np.empty_like(rest)
    for at in colours.values():
        spread = 1.4826 * np.median(np.abs(rest[:, _OUTSIDE & at]), axis=1)
        noise[:, at] = np.maximum(spread, 1e-6)[:, None]
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
