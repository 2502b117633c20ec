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
from limbward.sequences.edges import Unrolled, left_of, rounds_within, sharpened
from limbward.sequences.limb_blur import LIMB_PX, blur_of_edge, blur_of_limb, medians
from limbward.sequences.prominences import (
    STEP_DEG,
    Prominence,
    find_prominences,
    heights_of,
)

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

BLURS, MOON_PX, FADE_PX = 2.5, 2.0, 3.0  # left out beside the Moon, and the rise after it
MIDDLE = 0.12  # radii: the disc's centre, whose median is 1; half of it is within a thousandth
LEAST_LEVEL = 200  # pixels of the disc that must be free of the Moon to tell a frame's brightness
DISC = 0.95  # radii: beyond, blur and the chromosphere change the disc's darkening
BEFORE = 0.9  # radii of the Sun, within which the Moon's limb is an edge before an even disc
DISC_RINGS = 40  # in which the darkening is gathered, and how often it and the frames are matched
MATCHES = 8
# Of the radius, over which a frame's weight rises beside the Moon: what frames differ by, a few
# thousandths by scattered light, is seen as an arc where it begins on the spot.
FEATHER = 0.1
RINGS = 200  # to a radius, in which darkening and scattered light are measured
# A prominence ends where it is this part of the disc's centre: quiet ones have 2 to 10 % of it in
# hydrogen-alpha (common practice), the sky and a clean telescope's scattered light less than 1 %.
EDGE = 0.01
# Of a limb 40 times as bright as `EDGE`, a tenth of a pixel out of place here and there by
# refraction and ragged by spicules, less than a tenth of `EDGE` is left this many blurs beyond it;
# 2.5 blurs let some of it pass once it was sharpened.
LIMB_BLURS = 3.0
RING_PX, RING_PIXELS = 0.05, 24.0  # width of rings around the limb, and pixels in one at least
RING_WIDE = 0.03  # radii beyond the limb, in which it is asked whether any frame shows it
RING_STEP = 4  # of places along the limb, in which a ring's light is taken
EVEN = 7  # places along the limb, a third of a degree, that are averaged
SHAPE_PX = 0.1  # by which refraction, another in each frame, leaves the limb out of place
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
    blur_px : float
        Standard deviation, by the Moon's limb; NaN where that was not seen.
    """

    picture: Pixels
    sigma: Pixels
    count: Pixels
    view: View
    radius: float
    blur_px: float = float("nan")


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
        self._rings: list[Floats] = []  # of each frame, NaN where the Moon hides one
        self._law = np.ones(DISC_RINGS)
        self._blurs: list[tuple[float, float]] = []  # by the Moon's limb, and their weights

    def clear(self, moon: Disc | None, blur_px: float, fade_px: float = FADE_PX) -> Pixels:
        """Return how far pixels are free of a Moon, from 0 to 1."""
        if moon is None:
            return np.ones_like(self.away)
        beyond = np.hypot(self._x - moon.x, self._y - moon.y) - moon.radius
        t = np.clip((beyond - (BLURS * blur_px + MOON_PX)) / max(fade_px, FADE_PX), 0.0, 1.0)
        return np.asarray(t * t * (3.0 - 2.0 * t), np.float32)

    def look(self, cut: Cut, clear: Pixels) -> None:
        """Take note of a frame's limb darkening, before any is added.

        What the Moon leaves of a disc is darker the nearer to the limb it is: frames are as bright
        as each other only by their darkening.
        """
        plane = self._light(cut)
        ring = np.minimum((self.away * (DISC_RINGS / DISC)).astype(int), DISC_RINGS)
        ring[(clear < 1.0) | ~np.isfinite(plane)] = DISC_RINGS
        order = np.argsort(ring, axis=None, kind="stable")
        count = np.bincount(ring.ravel(), minlength=DISC_RINGS + 1)[:DISC_RINGS]
        parts = np.split(plane.ravel()[order], np.cumsum(count))[:DISC_RINGS]
        # A twentieth of the least in the rings between them says enough.
        least = max(4, LEAST_LEVEL // 20)
        median = [float(np.median(p)) if p.size >= least else np.nan for p in parts]
        self._rings.append(np.array(median))

    def settle(self) -> None:
        """Find the darkening that all frames noted have in common, 1 at the centre.

        If the Moon hides that in all of them, 1 is what is nearest to it.
        """
        rings = np.array([r for r in self._rings if np.isfinite(r).any()])
        if not rings.size:
            return
        seen = np.isfinite(rings).any(axis=0)
        middle = seen & (np.arange(DISC_RINGS) < DISC_RINGS * MIDDLE / DISC)
        middle[int(np.argmax(seen))] = True
        law = np.where(seen, 1.0, np.nan)
        for _ in range(MATCHES):
            gain = np.nanmedian(rings / law, axis=1)
            law[seen] = np.nanmedian(rings[:, seen] / gain[:, None], axis=0)
            law /= np.nanmedian(law[middle])
        at = np.arange(DISC_RINGS)
        self._law = np.interp(at, at[seen], law[seen])

    def _light(self, cut: Cut) -> Pixels:
        """Return the plane that shows the line, NaN where it is clipped or beyond the frame."""
        # A colour camera sees the line in one of its colours.
        plane = cut.picture[int(np.argmax(cut.picture.mean(axis=(1, 2))))]
        # The frame's edge, where noise is 0 not in places only, and two pixels that it spoils.
        beyond = maximum_filter(maximum_filter(plane, 5) <= 0.0, 9)
        return np.where(cut.clipped | beyond, np.float32(np.nan), plane)

    def relative(self, cut: Cut, light_s: float, clear: Pixels) -> Pixels | None:
        """Return a cut relative to the disc's centre; None if nothing tells how bright that is.

        Of frames in which the Moon hides the disc, the exposure tells, by those in which it does
        not.
        """
        plane = self._light(cut)
        disc = (self.away < DISC) & (clear == 1.0) & np.isfinite(plane)
        if np.count_nonzero(disc) >= LEAST_LEVEL:
            level = float(np.median(plane[disc] / self._darkening(self.away[disc])))
            self._gain.append(level / light_s)
        elif self._gain:
            level = float(np.median(self._gain)) * light_s
        else:
            return None
        return np.asarray(plane / np.float32(level), np.float32)

    def _darkening(self, away: Pixels) -> Floats:
        """Return what frames have in common at some distances from the centre."""
        at = (np.arange(DISC_RINGS) + 0.5) * (DISC / DISC_RINGS)
        return np.interp(away, at, self._law)

    def note_blur(self, relative: Pixels, moon: Disc, weight: float) -> None:
        """Take note of how blurred a frame is, by the Moon's limb before the disc."""
        beyond = np.hypot(self._x - moon.x, self._y - moon.y) - np.float32(moon.radius)
        near = (np.abs(beyond) < LIMB_PX) & (self.away < BEFORE) & np.isfinite(relative)
        blur = blur_of_edge(beyond[near], relative[near] / self._darkening(self.away[near]))
        if blur > 0.0:
            self._blurs.append((blur, weight))

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
            self._blur(),
        )

    def _blur(self) -> float:
        """Return the blur of the sum: variances add up."""
        if not self._blurs:
            return float("nan")
        blur, weight = np.array(self._blurs).T
        return float(np.sqrt(np.sum(weight * blur**2) / np.sum(weight)))


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


def usual_at(disc: LineDisc, away: Pixels) -> Pixels:
    """Return the median of all pixels that are as far from the centre as each.

    Rings are 0.05 pixels wide, or as wide as `RING_PIXELS` need.
    """
    known = np.isfinite(disc.picture)
    if not known.any():
        return np.zeros_like(disc.picture)
    wide = max(RING_PX, RING_PIXELS / (2.0 * np.pi * disc.radius))
    ring = (away[known] * (disc.radius / wide)).astype(int)
    at, median = medians(ring, away[known], disc.picture[known])
    return np.asarray(np.interp(away, at, median), np.float32)


def unrolled(disc: LineDisc, away: Pixels) -> Unrolled:
    """Return the light beyond the limb above its ring's, by position angle and height."""
    scale = disc.view.scale_arcsec
    blur = disc.blur_px
    if not np.isfinite(blur):
        blur = blur_of_limb(disc.picture, away, disc.radius, scale)
    beyond = disc.picture[(away > 1.05) & np.isfinite(disc.picture)]
    noise = 1.4826 * float(np.median(np.abs(beyond - np.median(beyond)))) if beyond.size else 0.0
    rounds = rounds_within(noise, EDGE, blur) if blur > 0.0 else 0
    angle = np.arange(0.0, 360.0, STEP_DEG)
    height = heights_of(scale)
    r = disc.radius + height / scale
    dx, dy = disc.view.orientation.towards(angle)
    x, y = (disc.view.centre + d[:, None] * r for d in (dx, dy))

    def light(picture: Pixels) -> Floats:
        filled = np.nan_to_num(picture)
        plane = map_coordinates(filled, [y, x], np.float32, order=3, mode="constant", cval=np.nan)
        gone = map_coordinates(
            (~np.isfinite(picture)).astype(np.float32), [y, x], order=1, mode="constant", cval=1.0
        )
        plane[gone > 0.01] = np.nan
        plane -= np.nan_to_num(np.nanmedian(plane[::RING_STEP], axis=0))
        # A running sum would carry one NaN on to all places after it.
        known = np.isfinite(plane)
        even = uniform_filter1d(np.where(known, plane, 0.0).astype(float), EVEN, 0, mode="wrap")
        share = uniform_filter1d(known.astype(float), EVEN, 0, mode="wrap")
        return np.where(known, even / np.maximum(share, 1.0 / EVEN), np.nan)

    # The limb is too steep for the pixels: sharpened with it, it leaves waves along its steps.
    apart = np.asarray(disc.picture - usual_at(disc, away), np.float32)
    sharp = light(sharpened(apart, blur, rounds))
    left = scale * left_of(blur, rounds)
    # No size of pixels: here no Moon's edge spreads the chromosphere, which would need a margin.
    limb = LIMB_BLURS * scale * blur
    return Unrolled(angle, height, sharp, EDGE, 0.0, left, limb_arcsec=limb)


def unseen_limb(disc: LineDisc, away: Pixels) -> float:
    """Return how much of the limb no frame shows, as a part of it."""
    ring = (away > 1.0) & (away < 1.0 + RING_WIDE)
    return float(np.mean(~np.isfinite(disc.picture[ring]))) if ring.any() else 1.0


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
    above = disc.radius * (1.0 - 1.0 / (1.0 + excess)) * disc.view.scale_arcsec
    found = find_prominences(unrolled(disc, away))
    shape = SHAPE_PX * disc.view.scale_arcsec
    return [
        replace(
            p,
            height_arcsec=p.height_arcsec + above,
            sigma_arcsec=float(np.hypot(p.sigma_arcsec, shape)),
        )
        for p in found
    ]
