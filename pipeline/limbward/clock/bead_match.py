"""How well frames with beads fit each instant and each orientation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy import fft

from limbward.compiled import kernel
from limbward.geometry.disc import RIM_BINS as BINS

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

BIN_DEG = 360.0 / BINS
# Of the range: what counts as light of the photosphere. Corona, chromosphere and prominences of a
# frame that is short enough stay below; unfiltered photosphere is ten thousand times the range at
# 1/1000 s. With 0.2 dates are no better.
FAINTEST = 0.4
WING_ARCSEC = 6.0
# Bins near each other are blurred together and bear the same errors of relief and of the light's
# spread. Found on painted pictures, so that errors of the time are as large as stated.
VARIANCE = 0.16
FEW = 150  # orientations that are matched sooner one by one than all by a transform
TOGETHER = 8  # instants that are transformed together: with 12 brightnesses 0.7 MB, which stay near


@dataclass(frozen=True)
class Spread:
    """How light is spread along the limb: a Gaussian, and wings that fall with the cube.

    ``wings`` is their height at the middle relative to the Gaussian's.
    """

    sigma_arcsec: float
    wings: float

    def over(self, light: Floats, moon_arcsec: float) -> Singles:
        """Return light (T, BINS), spread along a limb of that radius."""
        turn = np.minimum(np.arange(BINS), BINS - np.arange(BINS)) * (2.0 * np.pi / BINS)
        apart = 2.0 * moon_arcsec * np.sin(0.5 * turn)
        kernel = np.exp(-0.5 * (apart / self.sigma_arcsec) ** 2)
        kernel = kernel + self.wings * (1.0 + (apart / WING_ARCSEC) ** 2) ** -1.5
        kernel *= moon_arcsec * 2.0 * np.pi / BINS / (2.0 * np.pi * self.sigma_arcsec**2)
        spectrum = fft.rfft(light, axis=1) * fft.rfft(kernel)
        return np.maximum(fft.irfft(spectrum, BINS, axis=1), 0.0).astype(np.float32)


@dataclass(frozen=True)
class Optics:
    """What becomes of the photosphere's light in a camera.

    Attributes
    ----------
    spread : Spread
    brightness : float or None
        Of the Sun's middle in 1 s at ISO 100 over the range, about 2e7 at f/8. None leaves each
        frame its own.
    fade_arcsec : float
        Over which the Sun's edge falls to 1/e outside its limb; 0 for a sharp one.
    """

    spread: Spread
    brightness: float | None = None
    fade_arcsec: float = 0.0

    def levels(self, gain: float) -> tuple[Floats, Floats]:
        """Return brightnesses (L,) that a frame may have and what each costs.

        Parameters
        ----------
        gain : float
            Exposure, seconds, times ISO over 100.
        """
        if self.brightness is None:
            return FREE, np.zeros(FREE.size)
        cost = VARIANCE * (UNLIKE * AROUND) ** 2
        return self.brightness * gain * np.exp(UNLIKE * LIKENESS * AROUND), cost


# From a thousandth through cloud to 1/60 s.
FREE = np.exp(np.arange(np.log(3e2), np.log(3e6), 0.8))
# The brightness of frames of one camera agrees to this, as a logarithm: shutters, thin cloud.
LIKENESS, UNLIKE = 0.35, 1.3
AROUND = np.array([-1.0, 0.0, 1.0])
BRIGHTNESS = np.exp(np.arange(12.5, 20.0, 0.5))
# The continuum's edge outside its inflection: the scale height of the opacity there, 55 km, is 0.08
# arcsec (from memory of models of the quiet Sun); simulated Suns are sharp.
FADES = (0.0, 0.08)
SPREADS = tuple(Spread(s, w) for w in (3e-4, 3e-3) for s in (2.0, 3.0, 4.0, 5.5, 7.5, 10.0))


def contrast(level: Floats | Singles) -> Singles:
    """Return levels as logarithms from the faintest that counts, 0, to clipped, about 0.9.

    What is clipped is only known to be bright, what is faint may be corona.
    """
    known = np.nan_to_num(np.asarray(level, np.float32), nan=0.0)
    return np.log(np.clip(known, FAINTEST, 1.0) / np.float32(FAINTEST))


@dataclass(frozen=True)
class Templates:
    """What frames would show at T instants and L brightnesses.

    Attributes
    ----------
    t : ndarray, shape (T,)
    shown : ndarray, shape (T, L, BINS)
    power : ndarray, shape (T, L)
        Sum of squares, and what a brightness costs.
    spectrum : ndarray of complex, shape (T, L, BINS // 2 + 1), or None
        Of ``shown``; None if few orientations are asked for.
    """

    t: Floats
    shown: Singles
    power: Singles
    spectrum: NDArray[np.complex64] | None

    def part(self, first: int, count: int) -> Templates:
        """Return those of some instants."""
        here = slice(first, first + count)
        spectrum = None if self.spectrum is None else self.spectrum[here]
        return Templates(self.t[here], self.shown[here], self.power[here], spectrum)


def templates(
    t: Floats, light: Singles, optics: Optics, gain: float, orientations: int
) -> Templates:
    """Return what frames of one exposure would show at instants ``t``, evenly spaced.

    Parameters
    ----------
    t : ndarray, shape (T,)
    light : ndarray, shape (T, BINS)
        Of the photosphere, spread.
    optics : Optics
    gain : float
        As of `Optics.levels`.
    orientations : int
        How many will be asked for.
    """
    levels, cost = optics.levels(gain)
    # The logarithm of a product, one for all brightnesses: see `contrast`.
    log_light = np.log(np.maximum(light, np.float32(1e-30)) / np.float32(FAINTEST))
    # Laid out by instants and brightnesses: NumPy's own choice has the bins apart.
    shown = np.empty((t.size, levels.size, BINS), np.float32)
    np.add(log_light[:, None, :], np.log(levels).astype(np.float32)[:, None], out=shown)
    np.clip(shown, np.float32(0.0), np.float32(-np.log(FAINTEST)), out=shown)
    spectrum = fft.rfft(shown, axis=2) if orientations > FEW else None
    power = np.einsum("tlk,tlk->tl", shown, shown) + cost.astype(np.float32)
    return Templates(t, shown, power, spectrum)


def misfit(level: Singles, at: Templates, ups: NDArray[np.int64]) -> Singles:
    """Return the sum of squares that a frame differs by, shape (T, U).

    Parameters
    ----------
    level : ndarray, shape (BINS,)
        Of `limbward.limb.rim.rim_light`.
    at : Templates
    ups : ndarray of int, shape (U,)
        Orientations, 0 to BINS - 1: a picture whose up has the position angle s times 0.2 degrees.

    Returns
    -------
    ndarray
        At each instant and orientation; the best of all brightnesses.
    """
    seen = contrast(level)
    own = np.float32(np.sum(seen**2))
    out = np.empty((at.t.size, ups.size), np.float32)
    # For orientation s the sum over k of seen[k] * shown[k + s].
    if at.spectrum is None:
        turned = sliding_window_view(np.concatenate([seen, seen]), BINS)[-ups % BINS]
        both = (at.shown.reshape(-1, BINS) @ turned.T).reshape(*at.power.shape, ups.size)
        least(at.power, both, np.arange(ups.size), own, out)
        return out
    spectrum = np.conj(fft.rfft(seen))
    for first in range(0, at.t.size, TOGETHER):
        part = slice(first, first + TOGETHER)
        both = fft.irfft(spectrum * at.spectrum[part], BINS, axis=2)
        least(at.power[part], both, ups, own, out[part])
    return out


@kernel
def least(
    power: Singles, both: Singles, ups: NDArray[np.int64], own: np.float32, out: Singles
) -> None:
    """Write the least sum of squares over brightnesses, by sums of squares and of products.

    In one go: whole arrays of each step take three times as long as the transform before.
    """
    for t in range(out.shape[0]):
        for i in range(ups.size):
            out[t, i] = np.inf
        for k in range(power.shape[1]):
            for i in range(ups.size):
                square = power[t, k] - np.float32(2.0) * both[t, k, ups[i]]
                out[t, i] = min(out[t, i], square)
        for i in range(ups.size):
            out[t, i] += own


def mirrored(level: Singles) -> Singles:
    """Return the levels of a picture as its mirror image shows them."""
    return level[::-1]
