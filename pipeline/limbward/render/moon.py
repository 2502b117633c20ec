"""The Moon in the picture: earthshine on its disc, and a limb as soft as the picture is sharp."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from scipy.special import erfc

from limbward.geometry.disc import Disc
from limbward.picture.blur import Blur
from limbward.radiance.scratch import Room, by_rows
from limbward.render.smooth import CORRELATION_PX

Pixels = NDArray[np.float32]

TRUSTED = 0.86  # of the Moon's radius; beyond, the disc shows mostly the corona's glare
SMOOTH_PX = 1.5
GOES_ON = 0.08  # of the radius: blur of what goes on beyond
FADE = 0.08  # of the radius, over which the surface passes into it
# Glare falls inwards from the limb by a factor of e over a sixteenth to a third of the radius, and
# is stronger beside a brighter corona: powers of the radius, and harmonics of the angle, of it.
FALLS, HARMONICS = (3, 7, 16), (1, 2, 3, 4)
FITTED = 20000  # pixels
# The surface is judged in the inner disc, by what a polynomial of fourth degree leaves. With maria
# that is a third of how the glare changes there; of glare alone, on a simulated card with thick
# haze, it is a twentieth.
INNER, DEGREE, GLARE_LEFT = 0.6, 4, 0.1
BLURS_PX = (SMOOTH_PX, 3.0, 6.0)  # the least that brings the noise to half of the surface is taken
LAG = 3  # pixels between which noise is independent
SHARPEST_PX = 0.75  # a sharper limb would ring by 2 % when the picture is turned by splines


def distance(shape: tuple[int, ...], disc: Disc, room: Room = np.empty) -> Pixels:
    """Return the distance of every pixel from a disc's centre, pixels."""
    dx = np.arange(shape[1], dtype=np.float32) - np.float32(disc.x)
    dy = np.arange(shape[0], dtype=np.float32) - np.float32(disc.y)
    out = room((shape[0], shape[1]), np.float32)
    for rows in by_rows(shape[0], out):
        np.hypot(dx[None, :], dy[rows, None], out=out[rows])
    return out


def inside(shape: tuple[int, ...], disc: Disc) -> NDArray[np.bool_]:
    """Return which pixels lie in a disc."""
    y, x = np.ogrid[: shape[0], : shape[1]]
    across, out = (x - disc.x) ** 2, np.empty((shape[0], shape[1]), bool)
    for rows in by_rows(shape[0]):
        np.less(across + (y[rows] - disc.y) ** 2, disc.radius**2, out=out[rows])
    return out


def earthshine(surface: Pixels, disc: Disc) -> Pixels:
    """Return the brightness of the Moon's surface without the glare that lies over it.

    Parameters
    ----------
    surface : ndarray of float32, shape (3, h, w)
        The disc as merged, registered on the Moon; NaN where it was not seen.
    disc : Disc
        Of the Moon in it.

    Returns
    -------
    ndarray of float32, shape (h, w)
        About 0 in the darkest maria, about 1 in the brightest highlands. In the outermost 14 % of
        the radius, where glare is stronger than the Earth's light, the values just inside go on,
        the more smoothed the farther out.

    Notes
    -----
    Glare is the median at each distance from the centre, and near the limb what is stronger on one
    side than on another, as the corona beside it is. What is left shows the surface only if it is
    more than noise and what that leaves of the glare; otherwise the disc is even.
    """
    light = surface.mean(axis=0, dtype=np.float32)
    r = distance(light.shape, disc) / np.float32(disc.radius)
    known = np.isfinite(light) & (r < TRUSTED)
    if known.sum() < 200:
        return np.zeros(light.shape, np.float32)
    light = Blur(known.astype(np.float32), SMOOTH_PX)(light.astype(np.float32))
    # Rings of equal area: each has the same share of pixels to tell its glare from.
    rings = max(min(int(known.sum()) // 2000, 24), 4)
    ring = np.minimum((r / TRUSTED) ** 2 * rings, rings - 1).astype(int)
    middle = TRUSTED * np.sqrt((np.arange(rings) + 0.5) / rings)
    glare = [np.median(light[known & (ring == k)]) for k in range(rings)]
    above = np.where(known, light - np.interp(r, middle, glare), np.nan)
    above -= _uneven_glare(above, known, r, disc)
    raw, taken = surface.mean(axis=0, dtype=np.float32), light - above
    above, share, seen = _believed(raw, light, above, known, r, disc)
    if share == 0.0:
        return np.zeros(light.shape, np.float32)
    low, high = np.nanpercentile(above, [2.0, 98.0])
    above = np.where(known, (above - low) / max(float(high - low), 1e-30), 0.0).astype("f4")
    soft = Blur(known.astype(np.float32), max(GOES_ON * disc.radius, 1.0))(above)
    closer = np.minimum(1.0, (TRUSTED - 3.0 / disc.radius) / np.maximum(r, 1e-6))
    y, x = np.indices(light.shape, dtype=np.float32)
    at = np.stack([disc.y + (y - disc.y) * closer, disc.x + (x - disc.x) * closer])
    above, soft = (map_coordinates(a, at, order=1, mode="nearest") for a in (above, soft))
    # Values carried on as they are would be streaks that point at the corona.
    out = np.clip((r - TRUSTED + FADE) / FADE, 0.0, 1.0)
    shown = above + out * (soft - above)
    # Nearer to the limb, where more glare was taken off than the surface can be told from, it is as
    # in the middle: what is left there would be a ring.
    usual = np.float32(np.median(shown[known & (r < INNER)]))
    shown = usual + _told_from_glare(taken, known, r, seen) * (shown - usual)
    return share * np.clip(shown, -0.5, 1.5)


def _believed(
    raw: Pixels, light: Pixels, above: Pixels, known: NDArray[np.bool_], r: Pixels, disc: Disc
) -> tuple[Pixels, float, float]:
    """Return the surface, smoothed as its noise asks for, the share to be believed, its spread.

    Parameters
    ----------
    raw, light : ndarray of float32, shape (h, w)
        The disc as merged, and blurred by `SMOOTH_PX`.
    above : ndarray of float32, shape (h, w)
        ``light`` without glare.
    known : ndarray of bool, shape (h, w)
    r : ndarray of float32, shape (h, w)
        In radii of the disc.
    disc : Disc
    """
    inner = known & (r < INNER)
    pairs = inner[LAG:, LAG:] & inner[:-LAG, :-LAG]
    steps = (raw[LAG:, LAG:] - raw[:-LAG, :-LAG])[pairs]
    noise = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2.0)
    glare = GLARE_LEFT * float((light - above)[inner].std())
    mask, plain = known.astype(np.float32), np.where(known, above, 0.0).astype(np.float32)
    for blur in BLURS_PX:
        if blur > SMOOTH_PX:
            above = Blur(mask, float(np.sqrt(blur**2 - SMOOTH_PX**2)))(plain)
        left = noise * CORRELATION_PX / float(np.hypot(CORRELATION_PX, blur))
        seen = float(np.sqrt(max(_uneven(above, inner, disc) - left**2, 0.0)))
        if seen > 2.0 * left or 2.0 * blur > GOES_ON * disc.radius:
            break
    error = max(float(np.hypot(left, glare)), 1e-30)
    return above, float(np.clip(seen / error - 1.0, 0.0, 1.0)), seen


def _told_from_glare(taken: Pixels, known: NDArray[np.bool_], r: Pixels, seen: float) -> Pixels:
    """Return how far the surface can be told from glare at each distance, from 1 to 0.

    Parameters
    ----------
    taken : ndarray of float32, shape (h, w)
        The glare that was taken off.
    known : ndarray of bool, shape (h, w)
    r : ndarray of float32, shape (h, w)
        In radii of the disc.
    seen : float
        Spread of the surface.
    """
    edges = np.linspace(0.0, TRUSTED, 13)
    rings = [known & (r >= a) & (r < b) for a, b in pairwise(edges)]
    least = np.median(taken[known & (r < 0.3)])
    left = np.array(
        [0.5 * GLARE_LEFT * np.sqrt(np.mean((taken[m] - least) ** 2)) if m.any() else 0.0
         for m in rings]
    )  # fmt: skip
    share = np.minimum.accumulate(np.clip(seen / np.maximum(left, 1e-30) - 1.0, 0.0, 1.0))
    return np.interp(r, 0.5 * (edges[1:] + edges[:-1]), share).astype(np.float32)


def _uneven(above: Pixels, inner: NDArray[np.bool_], disc: Disc) -> float:
    """Return the variance of what changes faster over the disc than glare does."""
    rows, columns = np.nonzero(inner)
    step = max(1, rows.size // FITTED)
    rows, columns = rows[::step], columns[::step]
    u, v = (columns - disc.x) / disc.radius, (rows - disc.y) / disc.radius
    powers = [(i, j) for i in range(DEGREE + 1) for j in range(DEGREE + 1 - i)]
    smooth = np.stack([u**i * v**j for i, j in powers], axis=1)
    values = above[rows, columns].astype(np.float64)
    return float(np.var(values - smooth @ np.linalg.lstsq(smooth, values, rcond=None)[0]))


def _uneven_glare(
    above: Pixels, known: NDArray[np.bool_], r: Pixels, disc: Disc
) -> NDArray[np.float32]:
    """Return the part of the light on the disc that falls inwards from an uneven limb."""
    rows, columns = np.nonzero(known)
    step = max(1, rows.size // FITTED)
    rows, columns = rows[::step], columns[::step]
    y, x = np.indices(above.shape, dtype=np.float32)
    angle = np.arctan2(y - np.float32(disc.y), x - np.float32(disc.x))
    inwards = np.minimum(r / np.float32(TRUSTED), np.float32(1.0))
    parts = [(p, m, turn) for p in FALLS for m in HARMONICS for turn in (0.0, np.pi / 2)]

    def part(at: tuple[NDArray[np.intp], ...] | slice, p: int, m: int, turn: float) -> Pixels:
        return np.asarray(inwards[at] ** p * np.cos(m * angle[at] - turn), np.float32)

    here = (rows, columns)
    design = np.stack([part(here, *one) for one in parts], axis=1).astype(np.float64)
    left = above[here].astype(np.float64)
    weight = np.ones_like(left)
    for _ in range(4):  # craters and maria are no glare
        found = np.linalg.lstsq(design * weight[:, None], left * weight, rcond=None)[0]
        rest = np.abs(left - design @ found)
        weight = 1.0 / np.sqrt(np.maximum(rest / max(float(np.median(rest)), 1e-30), 1.0))
    out = np.zeros(above.shape, np.float32)
    for one, much in zip(parts, found, strict=True):
        out += np.float32(much) * part(slice(None), *one)
    return out


def cover(shape: tuple[int, ...], disc: Disc, blur_px: float) -> Pixels:
    """Return how much of each pixel's light comes from the disc's side of its limb.

    Parameters
    ----------
    shape : tuple of int
    disc : Disc
    blur_px : float
        Standard deviation of the point-spread function, pixels.

    Returns
    -------
    ndarray of float32
        A Gaussian's integral across the limb, 1 inside and 0 outside.
    """
    outwards = distance(shape, disc) - np.float32(disc.radius)
    return np.asarray(
        0.5 * erfc(outwards / np.float32(np.sqrt(2.0) * max(blur_px, SHARPEST_PX))), "f4"
    )
