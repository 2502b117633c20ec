"""The tone curve: four decades of radiance to the lightness of a print, and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import in_threads, kernel
from limbward.radiance.scratch import Room, by_rows

Pixels = NDArray[np.float32]

STEEPEST = 0.9  # of the S at contrast 1: it stays a rising curve up to 1
INNER_RING = (1.03, 1.10)  # solar radii, where a corona is brightest and no prominence reaches


@dataclass(frozen=True)
class ToneCurve:
    """Lightness as an inverse hyperbolic sine of radiance: linear in the dark, a logarithm above.

    ``lightness = floor + (ceiling - floor) * asinh((L - dark) / soft) / asinh((bright - dark) /
    soft)``, strictly increasing for every radiance, negative ones (noise about nothing) included,
    and inverted exactly by `radiance`.

    Attributes
    ----------
    dark, bright : float
        Radiances that get the lightnesses ``floor`` and ``ceiling``.
    soft : float
        Radiance above ``dark`` at which the curve turns from linear to logarithmic.
    floor, ceiling : float
        Lightness (CIE L*/100) of the darkest sky and of the brightest corona.
    brightness, contrast : float
        -1 to 1; what `graded` does to the lightness, and `radiance` undoes.

    References
    ----------
    R. H. Lupton et al., *Preparing red-green-blue images from CCD data*, PASP 116 (2004) 133.
    """

    dark: float
    bright: float
    soft: float
    floor: float = 0.05
    ceiling: float = 0.95
    brightness: float = 0.0
    contrast: float = 0.0

    def __post_init__(self) -> None:
        if not (self.bright > self.dark and self.soft > 0.0 and self.ceiling > self.floor):
            raise ValueError("a tone curve needs bright > dark, soft > 0 and ceiling > floor")

    def lightness(self, radiance: Pixels) -> Pixels:
        """Return the lightness of radiances."""
        span = (self.ceiling - self.floor) / np.arcsinh((self.bright - self.dark) / self.soft)
        plain = np.asarray(self.floor + span * np.arcsinh((radiance - self.dark) / self.soft))
        return graded(plain, self.brightness, self.contrast)

    def radiance(self, lightness: Pixels) -> Pixels:
        """Return the radiances of lightnesses."""
        span = (self.ceiling - self.floor) / np.arcsinh((self.bright - self.dark) / self.soft)
        plain = ungraded(lightness, self.brightness, self.contrast)
        return np.asarray(self.dark + self.soft * np.sinh((plain - self.floor) / span))


def graded(lightness: NDArray[Any], brightness: float, contrast: float) -> NDArray[Any]:
    """Return lightnesses made brighter and more contrasty; black and white stay.

    Parameters
    ----------
    lightness : ndarray
        0 to 1; what lies beyond is left as it is.
    brightness : float
        -1 to 1: the exponent of a power is halved or doubled by each whole step, so that 1 makes
        middle grey (0.5) 0.71.
    contrast : float
        -1 to 1: an S about middle grey, 1.45 times as steep there at 1, 0.55 times at -1.
    """
    if not brightness and not contrast:
        return lightness
    inside = np.clip(lightness, 0.0, 1.0)
    shown = inside ** (2.0**-brightness)
    shown = shown + STEEPEST * contrast * shown * (1.0 - shown) * (2.0 * shown - 1.0)
    return np.asarray(shown + (lightness - inside), lightness.dtype)


def ungraded(lightness: NDArray[Any], brightness: float, contrast: float) -> NDArray[Any]:
    """Return the lightnesses that `graded` made these of, to 1e-6."""
    if not brightness and not contrast:
        return lightness
    plain = np.linspace(0.0, 1.0, 8193) ** 2  # closer where a power is steep
    inside = np.clip(lightness, 0.0, 1.0)
    return np.asarray(
        np.interp(inside, graded(plain, brightness, contrast), plain) + (lightness - inside)
    )


def fit_tone(
    luminance: Pixels,
    rho: Pixels,
    *,
    sky: float = 0.05,
    highlights: float = 0.95,
    outer: float = 1e-3,
    brightness: float = 0.0,
    contrast: float = 0.0,
) -> ToneCurve:
    """Return the curve that suits a corona.

    Parameters
    ----------
    luminance : ndarray, shape (H, W)
        Radiance; NaN where there is none.
    rho : ndarray, shape (H, W)
        Distance from the Sun's centre, solar radii.
    sky, highlights : float
        Lightness (CIE L*/100) of the two ends.
    outer : float
        Part of the range at which the curve turns from linear to logarithmic. A thousandth is
        about where the mean corona reaches 3 solar radii.
    brightness, contrast : float
        See `graded`.

    Returns
    -------
    ToneCurve
        From the sky in the outermost parts (their tenth percentile) to the brightest twentieth of
        the ring from 1.03 to 1.10 solar radii. Where nothing is known there (all of it clipped, or
        the Sun small and the ring hidden by the Moon's margin), of the innermost ring that is, as
        wide as the radius' fourteenth part.

    Raises
    ------
    ValueError
        If the picture shows no corona outside the limb, or none brighter than the sky.
    """
    known, sampled, seen, nearest = np.empty(rho.shape, bool), [], 0, np.float32(np.inf)
    for rows in by_rows(len(rho), luminance, rho):
        known[rows] = np.isfinite(luminance[rows])
        there = rho[rows][known[rows]]
        sampled.append(there[-seen % 97 :: 97])  # every 97th of all
        seen += there.size
        nearest = np.min(there[there > INNER_RING[0]], initial=nearest)
    if not np.isfinite(nearest):
        raise ValueError("the picture shows no corona outside the limb")

    def between(low: Any, high: Any) -> Pixels:
        """Return the known radiances from one distance on, below another."""
        found = []
        for rows in by_rows(len(rho), luminance, rho):
            part = rho[rows]
            found.append(luminance[rows][known[rows] & (part >= low) & (part < high)])
        return np.concatenate(found)

    ring = between(nearest, INNER_RING[1])
    if ring.size == 0:
        ring = between(nearest, nearest * INNER_RING[1] / INNER_RING[0])
    dark = float(np.quantile(between(np.quantile(np.concatenate(sampled), 0.9), np.inf), 0.1))
    bright = float(np.quantile(ring, 0.95))
    if not bright > dark:
        raise ValueError(
            "the picture shows no corona outside the limb that is brighter than the sky"
        )
    soft = (bright - dark) * outer
    return ToneCurve(dark, bright, soft, sky, highlights, brightness, contrast)


@kernel
def map_rows(
    first: int,
    last: int,
    light: Pixels,
    spread: Pixels,
    known: NDArray[np.bool_],
    curve: tuple[float, float, float, float],
    shown: Pixels,
    noise: Pixels,
) -> None:
    """Write rows of `tone_mapped`; the curve is its dark, soft and floor, and its span."""
    dark, soft, floor, span = curve
    for y in range(first, last):
        for x in range(light.shape[1]):
            at = (light[y, x] - dark) / soft
            root = np.sqrt(at * at + 1.0)
            # The inverse hyperbolic sine, in a third of the library function's time.
            above = np.log(abs(at) + root)
            shown[y, x] = np.float32(floor + span * (above if at >= 0.0 else -above))
            noise[y, x] = np.float32(0.0)
            if known[y, x]:
                noise[y, x] = np.float32(spread[y, x] * span / (soft * root))


def tone_mapped(
    light: Pixels,
    spread: Pixels,
    known: NDArray[np.bool_],
    tone: ToneCurve,
    room: Room = np.empty,
) -> tuple[Pixels, Pixels]:
    """Return the lightness of radiances and the noise in it, 0 where nothing is known.

    Parameters
    ----------
    light, spread : ndarray of float32, shape (H, W)
        Radiance and its noise.
    known : ndarray of bool, shape (H, W)
    tone : ToneCurve
    room : callable
        Makes the results.

    Returns
    -------
    tuple of ndarray of float32, shape (H, W)
    """
    shown, noise = room(light.shape, np.float32), room(light.shape, np.float32)
    span = float((tone.ceiling - tone.floor) / np.arcsinh((tone.bright - tone.dark) / tone.soft))
    curve = float(tone.dark), float(tone.soft), float(tone.floor), span
    for rows in by_rows(len(light), light, spread, shown, noise):
        count = rows.stop - rows.start
        in_threads(map_rows, count, light, spread, known, curve, shown, noise, first=rows.start)
        if tone.brightness or tone.contrast:
            final = graded(shown[rows], tone.brightness, tone.contrast)
            noise[rows] *= _slope(shown[rows], final, tone)
            shown[rows] = final
    return shown, noise


def _slope(plain: Pixels, final: Pixels, tone: ToneCurve) -> Pixels:
    """Return how many times the noise of a lightness is larger after `graded`."""
    step = np.float32(1e-3)
    more = graded(plain + step, tone.brightness, tone.contrast)
    return np.asarray(np.maximum((more - final) / step, 0.0), np.float32)
