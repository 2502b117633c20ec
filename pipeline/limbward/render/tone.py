"""The tone curve: four decades of radiance to the lightness of a print, and back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]


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

    References
    ----------
    R. H. Lupton et al., *Preparing red-green-blue images from CCD data*, PASP 116 (2004) 133.
    """

    dark: float
    bright: float
    soft: float
    floor: float = 0.05
    ceiling: float = 0.95

    def __post_init__(self) -> None:
        if not (self.bright > self.dark and self.soft > 0.0 and self.ceiling > self.floor):
            raise ValueError("a tone curve needs bright > dark, soft > 0 and ceiling > floor")

    def lightness(self, radiance: Pixels) -> Pixels:
        """Return the lightness of radiances."""
        span = (self.ceiling - self.floor) / np.arcsinh((self.bright - self.dark) / self.soft)
        return np.asarray(self.floor + span * np.arcsinh((radiance - self.dark) / self.soft))

    def radiance(self, lightness: Pixels) -> Pixels:
        """Return the radiances of lightnesses."""
        span = (self.ceiling - self.floor) / np.arcsinh((self.bright - self.dark) / self.soft)
        return np.asarray(self.dark + self.soft * np.sinh((lightness - self.floor) / span))


def fit_tone(
    luminance: Pixels,
    rho: Pixels,
    *,
    sky: float = 0.05,
    highlights: float = 0.95,
    outer: float = 1e-3,
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

    Returns
    -------
    ToneCurve
        From the sky in the outermost parts (their tenth percentile) to the brightest twentieth of
        the ring from 1.03 to 1.10 solar radii.

    Raises
    ------
    ValueError
        If the picture does not show the corona at the limb.
    """
    ring = luminance[(rho > 1.03) & (rho < 1.10)]
    ring = ring[np.isfinite(ring)]
    known = np.isfinite(luminance)
    if ring.size == 0:
        raise ValueError("the picture does not show the corona at the limb")
    far = np.quantile(rho[known][::97], 0.9)
    dark = float(np.quantile(luminance[known & (rho >= far)], 0.1))
    bright = float(np.quantile(ring, 0.95))
    return ToneCurve(dark, bright, (bright - dark) * outer, floor=sky, ceiling=highlights)


def smooth_limit(values: Pixels) -> Pixels:
    """Return values squeezed into (-1, 1), unchanged near 0."""
    return np.asarray(np.tanh(values), np.float32)
