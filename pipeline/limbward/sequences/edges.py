"""Where prominences end in a blurred picture: one model of their edge for all kinds of pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft
from scipy.special import ndtri

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

# Each round takes out half of what blur the last one left of long waves; after five, waves are back
# at half of their strength down to 0.56 of the blur, and noise has grown to six times at most.
ROUNDS = 5
MARGIN_PX = 16  # around a picture, beyond which its other side is
CLEAR_OF_NOISE = 8.0  # times the noise that is left, the least light that counts must be
PIXEL_BLUR = 0.375  # pixels: blur that halves the shortest wave that pixels can show
# Below its end, in which a prominence's brightness there is looked for; and where blurs are wider,
# from two of them above an edge to three below.
BELOW_ARCSEC, BELOW_BLURS = 12.0, 5.0
# Threads and knots of prominences are some arcseconds wide (Engvold, Solar Physics 49, 283, 1976;
# coarser ones without adaptive optics). One with this standard deviation loses the square of the
# blur over it in brightness, and may fall under the least, or stand above it.
THREAD_ARCSEC = 4.0
# Of the blur, by which a contour's end was off: 0.3 (rms) on painted coronae, 0.1 to 0.7 in three
# pictures with coarse pixels.
CONTOUR = 0.5
HALF = math.sqrt(2.0 * math.log(2.0))  # standard deviations of a Gaussian to half of its top


def sharpened(picture: Pixels, blur_px: float, rounds: int = ROUNDS) -> Pixels:
    """Return a picture with a known blur taken out, as far as its pixels can show more.

    Parameters
    ----------
    picture : ndarray, shape (H, W)
        NaN where nothing is known.
    blur_px : float
        Standard deviation, pixels.
    rounds : int
        From `rounds_within`.

    Notes
    -----
    The picture is blurred once more, and what that takes away is added, again and again (P. H. van
    Cittert, Zeitschrift fuer Physik 69, 298, 1931). It is linear: a limb, a hundred times as bright
    as prominences, leaves no more beside it than its own blur.
    """
    known = np.isfinite(picture)
    if blur_px <= 0.0 or rounds <= 0 or not known.any():
        return picture
    blurred = _Blur(picture.shape, blur_px)
    seen = np.where(known, picture, 0.0).astype(np.float32)
    if known.all():
        return blurred.undone(seen, rounds)
    share = np.maximum(blurred(known.astype(np.float32)), 1e-3)
    sharp = seen.copy()
    for _ in range(rounds):
        sharp += seen - blurred(sharp) / share
        sharp[~known] = 0.0
    return np.where(known, sharp, np.float32(np.nan))


class _Blur:
    """A Gaussian blur by its transfer function.

    Of a Gaussian narrower than a pixel, samples are not the blur: at 0.5 pixels they leave twice as
    much of the shortest wave as the Gaussian does.
    """

    def __init__(self, shape: tuple[int, ...], blur_px: float) -> None:
        self.margin = int(np.ceil(4.0 * blur_px)) + MARGIN_PX
        self.padded = [fft.next_fast_len(n + 2 * self.margin, real=True) for n in shape]
        self.transfer = _transfer(self.padded, blur_px)

    def _through(self, picture: Pixels, transfer: Pixels) -> Pixels:
        h, w = picture.shape
        sizes = zip(picture.shape, self.padded, strict=True)
        around = [(self.margin, padded - n - self.margin) for n, padded in sizes]
        waves = fft.rfft2(np.pad(picture, around, mode="edge"))
        whole = fft.irfft2(waves * transfer, self.padded)
        m = self.margin
        return np.asarray(whole[m : m + h, m : m + w], np.float32)

    def __call__(self, picture: Pixels) -> Pixels:
        return self._through(picture, self.transfer)

    def undone(self, picture: Pixels, rounds: int) -> Pixels:
        """Return what all rounds together make of a picture without gaps."""
        return self._through(picture, _gain(self.transfer, rounds))


def _transfer(shape: Sequence[int], blur_px: float) -> Pixels:
    """Return what a Gaussian leaves of the waves that a picture's pixels show."""
    waves = fft.fftfreq(shape[0])[:, None] ** 2 + fft.rfftfreq(shape[1])[None, :] ** 2
    return np.exp(-2.0 * (np.pi * blur_px) ** 2 * waves).astype(np.float32)


def _gain(transfer: Pixels, rounds: int) -> Pixels:
    """Return by how much rounds of sharpening strengthen waves."""
    left = 1.0 - transfer
    return np.asarray(sum((left**k for k in range(1, rounds + 1)), np.ones_like(left)))


def rounds_within(noise: float, least: float, blur_px: float) -> int:
    """Return how often a picture may be sharpened so that its noise stays far below ``least``.

    Parameters
    ----------
    noise : float
        Of a pixel, as large in all waves.
    least : float
    blur_px : float
    """
    transfer = _transfer((64, 64), blur_px)
    for rounds in range(ROUNDS, 0, -1):
        grown = float(np.sqrt(np.mean(_gain(transfer, rounds) ** 2)))
        if CLEAR_OF_NOISE * noise * grown <= least:
            return rounds
    return 0


def left_of(blur_px: float, rounds: int) -> float:
    """Return the blur that sharpening leaves, standard deviation, pixels.

    That of a Gaussian which halves the same wave; the pixels halve the shortest one at least.
    """
    halved = -math.log(1.0 - 0.5 ** (1.0 / (rounds + 1)))
    return max(blur_px * math.sqrt(math.log(2.0) / halved), PIXEL_BLUR)


@dataclass(frozen=True)
class Unrolled:
    """Light above the Sun's limb, by position angle and height.

    Attributes
    ----------
    angle, height : ndarray, shape (A,), (H,)
        Degrees from celestial north through east; arcsec above the limb.
    light : ndarray, shape (A, H)
        NaN where there is no value.
    least : float
        The light from which on it counts.
    pixel_arcsec : float
        Of the picture; 0 where it is as fine as the steps of height.
    blur_arcsec : float
        Of the light, as far as it was not `sharpened`; standard deviation.
    contour : bool
        Whether light ends where it falls to ``least``. Else it ends where it falls to half of its
        brightness just below that, as the light of a line has its own scale.
    limb_arcsec : float
        Height below which light may be the limb's own: blurred, ragged, a little out of place.
    """

    angle: Floats
    height: Floats
    light: Floats
    least: float
    pixel_arcsec: float = 0.0
    blur_arcsec: float = 0.0
    contour: bool = False
    limb_arcsec: float = 0.0

    @property
    def step(self) -> float:
        """Of height, arcsec."""
        return float(self.height[1] - self.height[0])


def ends(u: Unrolled, light: Floats, least: float, blur_arcsec: float) -> Floats:
    """Return how high light reaches at each angle, arcsec; 0 where it nowhere does.

    Parameters
    ----------
    u : Unrolled
        Whose heights, and whose sort of end.
    light : ndarray, shape (A, H)
        Of all of its angles or some.
    least : float
    blur_arcsec : float
        Of ``light``.

    Notes
    -----
    A blur leaves an edge where it falls to half of its brightness. A contour of less it moves out,
    for a steep edge by the Gaussian's quantile of the contour's part of the brightness; that is
    subtracted, in squares, from how far the contour lies beyond the half. Light whose end is out of
    sight has none.
    """
    height, step = u.height, u.step
    bright = np.nan_to_num(light) > least
    last = np.where(bright.any(axis=1), bright.shape[1] - 1 - np.argmax(bright[:, ::-1], axis=1), 0)
    below = int(max(BELOW_ARCSEC, BELOW_BLURS * blur_arcsec) / step)
    reach = np.zeros(light.shape[0])
    for i in np.flatnonzero(last):
        k = int(last[i])
        first = max(0, k - below)
        column = light[i, first : k + 2]
        # Light may reach beyond the last height.
        if column.size < 2 or not np.isfinite(column[-1]) or column[-1] > least:
            continue
        top = float(np.nanmax(column))
        half = height[first] + step * _falls_through(column, max(least, 0.5 * top))
        if u.contour and 0.5 * top > least:
            beyond = height[first] + step * _falls_through(column, least) - half
            moved = blur_arcsec * float(ndtri(1.0 - least / top))
            half += math.sqrt(max(beyond**2 - moved**2, 0.0))
        reach[i] = half
    return reach


def _falls_through(column: Floats, level: float) -> float:
    """Return at which place (in steps) a column that ends below a level falls through it."""
    k = int(np.flatnonzero(column > level)[-1])
    a, b = column[k] - level, column[k + 1] - level
    return k + float(a / (a - b)) if np.isfinite(b) else float(k)


def end_sigma(unrolled: Unrolled, members: NDArray[np.int64], reach: Floats) -> float:
    """Return the standard error of the greatest height among some angles.

    Parameters
    ----------
    unrolled : Unrolled
    members : ndarray of int
        The angles.
    reach : ndarray, shape (A,)
        `ends` of the light.

    Notes
    -----
    Four parts: by how much the end moves if threads that the blur dims or spreads are as much
    brighter or fainter as it makes them; by how much it widens a thread, at half of its brightness;
    the noise over the slope of the light; and rounding to steps. A contour has its end far below
    what threads are dimmed to, but is moved by the whole blur: of that, half may be left.
    """
    u, top = unrolled, float(reach[members].max())
    noise = _noise_sigma(u, int(members[np.argmax(reach[members])]), top)
    rounding = u.step / math.sqrt(12.0)
    if u.contour:
        return math.hypot(CONTOUR * u.blur_arcsec, noise, rounding)
    part = 1.0 + (u.blur_arcsec / THREAD_ARCSEC) ** 2
    low, high = (
        float(ends(u, u.light[members], u.least * f, u.blur_arcsec).max())
        for f in (1.0 / part, part)
    )
    wider = HALF * (math.hypot(THREAD_ARCSEC, u.blur_arcsec) - THREAD_ARCSEC)
    return math.hypot(0.5 * (low - high), wider, noise, rounding)


def _noise_sigma(u: Unrolled, at: int, top: float) -> float:
    """Return the noise of the light at a height, where nothing is bright, over the slope there."""
    k = int(np.searchsorted(u.height, top))
    around = slice(max(k - 4, 0), min(k + 5, u.height.size))
    quiet = u.light[:, around]
    quiet = quiet[np.isfinite(quiet) & (np.abs(quiet) < u.least / 2.0)]
    noise = 1.4826 * float(np.median(np.abs(quiet - np.median(quiet)))) if quiet.size else 0.0
    seen = np.isfinite(u.light[at, around])
    if np.count_nonzero(seen) < 3:
        return math.nan
    slope = np.polyfit(u.height[around][seen], u.light[at, around][seen], 1)[0]
    return noise / -float(slope) if slope < 0.0 else math.nan
