"""The Sun in one spectral line: discs cut out of many frames, stacked, flattened and measured."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, map_coordinates, maximum_filter, uniform_filter1d

from limbward.geometry.disc import Disc
from limbward.radiance.kernels.video import track_pieces
from limbward.sequences.cut import Cut, View
from limbward.sequences.prominences import (
    RED_EXCESS,
    STEP_ARCSEC,
    STEP_DEG,
    TOP_ARCSEC,
    Prominence,
    find_prominences,
)

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

BLURS, MOON_PX, FADE_PX = 2.5, 2.0, 3.0  # left out beside the Moon, and the rise after it
MIDDLE = 0.5  # radii: within this the disc tells how bright the frame is
LEAST_MIDDLE = 200  # pixels of it that must be free of the Moon
RINGS = 200  # to a radius, in which darkening and scattered light are measured
# A prominence ends where it is this part of the disc's centre: quiet ones have 2 to 10 % of it in
# hydrogen-alpha (common practice), the sky and a clean telescope's scattered light less than 1 %.
EDGE = 0.01
BELOW_ARCSEC = 12.0  # below its end, in which a prominence's brightness there is looked for
EVEN = 7  # places along the limb, a third of a degree, that are averaged
REACH_PX = 6.0  # by which a frame of totality may lie beside where its neighbours say
SMOOTH_PX = 1.5
TEMPLATE = 5.0  # noise of the off-limb light, above which it is a pattern to register on


@dataclass(frozen=True)
class LineDisc:
    """The Sun in a line, relative to the disc's centre, in a view that is centred on it.

    Attributes
    ----------
    picture, sigma : ndarray of float32, shape (S, S)
        NaN where no frame shows anything.
    count : ndarray of float32, shape (S, S)
        Frames.
    view : View
    radius : float
        Of the disc as the line shows it, pixels.
    """

    picture: Pixels
    sigma: Pixels
    count: Pixels
    view: View
    radius: float


class Stack:
    """Adds cuts up, each as sharp frames deserve, without what their Moons hide.

    Parameters
    ----------
    view : View
    radius : float
        Of the Sun in the line, pixels of the view.
    """

    def __init__(self, view: View, radius: float) -> None:
        self.view, self.radius = view, radius
        side = view.side
        x = np.arange(side, dtype=np.float32)
        self._x, self._y = x[None, :], x[:, None]
        self.away = np.hypot(self._x - view.centre, self._y - view.centre) / np.float32(radius)
        self._sums = np.zeros((4, side, side))
        self._gain: list[float] = []

    def clear(self, moon: Disc | None, blur_px: float) -> Pixels:
        """Return how far pixels are free of a Moon, from 0 to 1."""
        if moon is None:
            return np.ones_like(self.away)
        beyond = np.hypot(self._x - moon.x, self._y - moon.y) - moon.radius
        t = np.clip((beyond - (BLURS * blur_px + MOON_PX)) / FADE_PX, 0.0, 1.0)
        return np.asarray(t * t * (3.0 - 2.0 * t), np.float32)

    def relative(self, cut: Cut, light_s: float, clear: Pixels) -> Pixels | None:
        """Return a cut relative to the disc's centre; None if nothing tells how bright that is.

        Of frames in which the Moon hides the centre, the exposure tells, by those in which it does
        not.
        """
        # A colour camera sees the line in one of its colours.
        plane = cut.picture[int(np.argmax(cut.picture.mean(axis=(1, 2))))]
        # The frame's edge, where noise is 0 not in places only, and two pixels that it spoils.
        beyond = maximum_filter(maximum_filter(plane, 5) <= 0.0, 9)
        plane = np.where(cut.clipped | beyond, np.nan, plane)
        middle = plane[(self.away < MIDDLE) & (clear == 1.0)]
        middle = middle[np.isfinite(middle)]
        if middle.size >= LEAST_MIDDLE:
            level = float(np.median(middle))
            self._gain.append(level / light_s)
        elif self._gain:
            level = float(np.median(self._gain)) * light_s
        else:
            return None
        return np.asarray(plane / np.float32(level), np.float32)

    def add(self, relative: Pixels, clear: Pixels, weight: float) -> None:
        """Add a frame with a weight."""
        w = np.where(np.isfinite(relative), weight * clear, 0.0)
        v = np.nan_to_num(relative)
        for total, term in zip(self._sums, (w, w * v, w * v * v, w * w), strict=True):
            total += term

    def disc(self) -> LineDisc:
        """Return the mean."""
        total, light, squares, weights = self._sums
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = light / total
            spread = np.maximum(squares / total - mean**2, 0.0)
            part = weights / total**2
            sigma, count = np.sqrt(spread * part), np.nan_to_num(1.0 / part)
        return LineDisc(
            np.asarray(mean, np.float32),
            np.asarray(sigma, np.float32),
            np.asarray(count, np.float32),
            self.view,
            self.radius,
        )


def rings(picture: Pixels, away: Pixels) -> tuple[Floats, Floats]:
    """Return the median of rings around the centre, and their radii in solar ones.

    What covers less than half of a ring (prominences, spots, filaments) does not move it.
    """
    known = np.isfinite(picture)
    ring = np.minimum((away * RINGS).astype(int), 4 * RINGS)
    order = np.argsort(ring[known], kind="stable")
    values, member = picture[known][order], ring[known][order]
    edges = np.searchsorted(member, np.arange(member.max() + 2 if member.size else 1))
    median = np.array([np.median(values[a:b]) if b > a else np.nan for a, b in pairwise(edges)])
    at = (np.arange(median.size) + 0.5) / RINGS
    good = np.isfinite(median)
    return np.interp(at, at[good], median[good]), at


def flattened(disc: LineDisc, away: Pixels) -> Pixels:
    """Return the picture without limb darkening and scattered light.

    On the disc, what is left is the contrast to the ring, 1 where there is none; beyond it the
    light above the sky's, relative to the disc's centre.
    """
    median, at = rings(disc.picture, away)
    ring = np.interp(away, at, median)
    on = np.asarray(away <= 1.0)
    return np.asarray(np.where(on, disc.picture / ring, disc.picture - ring), np.float32)


def off_limb(relative: Pixels, away: Pixels, clear: Pixels) -> Pixels:
    """Return the light beyond the limb above its ring's, 0 on the disc and behind the Moon."""
    picture = np.where(clear > 0.99, relative, np.nan)
    median, at = rings(np.asarray(picture, np.float32), away)
    beyond = (away > 1.0) & np.isfinite(picture)
    return np.asarray(np.where(beyond, picture - np.interp(away, at, median), 0.0), np.float32)


def shift_of(relative: Pixels, template: Pixels, away: Pixels, clear: Pixels) -> Floats | None:
    """Return by how much a frame of totality lies off (x, y), by its prominences; None if unknown.

    Parameters
    ----------
    relative : ndarray, shape (S, S)
        The frame, cut where its neighbours say that it lies.
    template : ndarray, shape (S, S)
        Off-limb light of the stack of other frames.
    away, clear : ndarray, shape (S, S)
        As of `Stack`; ``clear`` of the Moon where it is by the same neighbours.
    """
    seen = gaussian_filter(clear, FADE_PX)
    mine = gaussian_filter(off_limb(relative, away, clear) * seen, SMOOTH_PX)
    like = gaussian_filter(np.where(clear > 0.99, template, 0.0) * seen, SMOOTH_PX)
    noise = 1.4826 * float(np.median(np.abs(mine[away > 1.05])))
    if float(np.quantile(like[away > 1.0], 0.999)) < TEMPLATE * noise:
        return None
    whole = np.zeros((1, 4))
    track_pieces(0, 1, mine, like, whole, like.shape, 0.0, REACH_PX)
    shift = whole[0, 2:]
    return None if np.abs(shift).max() > 0.99 * REACH_PX else np.asarray(shift)


def _ends(light: Floats) -> Floats:
    """Return the brightness at which each column of the unrolled limb ends.

    Half of the brightest just below where it falls under the least of a prominence: a blur does not
    move that place, if the prominence ends steeply.
    """
    bright = np.nan_to_num(light) > EDGE
    last = np.where(bright.any(axis=1), bright.shape[1] - 1 - np.argmax(bright[:, ::-1], axis=1), 0)
    below = int(BELOW_ARCSEC / STEP_ARCSEC)
    peak = [
        np.nanmax(light[i, max(0, k - below) : k + 1]) if k else 0.0 for i, k in enumerate(last)
    ]
    return np.maximum(EDGE, 0.5 * np.array(peak))


def prominences_of(disc: LineDisc, excess: float, away: Pixels) -> list[Prominence]:
    """Return the prominences of a disc, the highest first.

    Parameters
    ----------
    disc : LineDisc
    excess : float
        By what part the disc is larger than in white light, above whose limb heights are.
    away : ndarray, shape (S, S)
        Distance from the centre, radii of the disc.
    """
    scale = disc.view.scale_arcsec
    angle = np.arange(0.0, 360.0, STEP_DEG)
    height = np.arange(0.0, TOP_ARCSEC, STEP_ARCSEC)
    r = disc.radius + height / scale
    dx, dy = disc.view.orientation.towards(angle)
    x, y = (disc.view.centre + d[:, None] * r for d in (dx, dy))
    flat = flattened(disc, away)
    light = map_coordinates(flat, [y, x], order=1, mode="constant", cval=np.nan)
    even = uniform_filter1d(light.astype(float), EVEN, axis=0, mode="wrap")
    found = find_prominences(angle, height, RED_EXCESS * even / _ends(even)[:, None])
    above = disc.radius * (1.0 - 1.0 / (1.0 + excess)) * scale
    return [replace(p, height_arcsec=p.height_arcsec + above) for p in found]
