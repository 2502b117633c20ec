"""Patchy cloud that drifts past: how much light it takes, where and when."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import map_coordinates, spline_filter

Floats = NDArray[np.float64]

TEXELS = 512  # of the pattern on each side; it repeats after 17 degrees
TEXEL_ARCSEC = 120.0
# Spectrum of the optical depth in the plane: k^-5/3 along a line, as turbulence mixes it, is
# k^-8/3 in the plane. R. F. Cahalan and J. B. Snider, Remote Sensing of Environment 28 (1989) 95.
POWER = 8.0 / 3.0
LARGEST_ARCMIN = 240.0  # larger patches than that make the whole field brighter and darker
# Particles far larger than a wave take as much light by diffraction as they block, and throw it
# forward: half of what is lost goes into a glow round the Sun. Ice of 40 um makes it 0.8 degrees
# wide at half maximum (wave over size), a sigma of a third of a degree.
FORWARD = 0.5
FORWARD_ARCSEC = 1200.0
# Brightness of a thick cloud in totality over that of the clear sky near the Sun: it is lit by
# the whole sky, of which the twilight round the horizon makes the mean about twice as bright.
GLOW = 2.0


@dataclass(frozen=True)
class Cloud:
    """Drifting cloud.

    Attributes
    ----------
    absorption : float
        Fraction of the light that its thickest part takes; 0 is clear.
    cover : float
        Part of the sky that has cloud.
    smallest_arcmin : float
        Size of its smallest structure: 30 m at a distance of 17 km are 6 arcmin.
    wind_arcsec_s : tuple of float
        Its motion along celestial east and north: 15 m/s at 17 km are 180 arcsec a second.
    """

    absorption: float = 0.0
    cover: float = 0.6
    smallest_arcmin: float = 6.0
    wind_arcsec_s: tuple[float, float] = (-158.0, 86.0)

    def shift_arcsec(self, seconds: float) -> tuple[float, float]:
        """Return how far the pattern has drifted since greatest eclipse, east and north."""
        return self.wind_arcsec_s[0] * seconds, self.wind_arcsec_s[1] * seconds


@lru_cache(maxsize=4)
def _pattern(seed: int, cover: float, smallest_arcmin: float) -> Floats:
    """Return spline coefficients of the thickness, 0 to 1, on a grid that wraps round."""
    rng = np.random.default_rng(np.random.SeedSequence([seed, 7]))
    f = np.hypot(np.fft.fftfreq(TEXELS)[:, None], np.fft.rfftfreq(TEXELS))
    texel_arcmin = TEXEL_ARCSEC / 60.0
    low = texel_arcmin / LARGEST_ARCMIN
    amplitude = np.maximum(f, low) ** (-POWER / 2)
    amplitude[0, 0] = 0.0
    # Half a period across the smallest structure: a Gaussian of that width, in the spectrum.
    amplitude *= np.exp(-2 * (np.pi * f * smallest_arcmin / texel_arcmin / 2.355) ** 2)
    noise = np.fft.rfft2(rng.standard_normal((TEXELS, TEXELS)))
    field = np.fft.irfft2(noise * amplitude, (TEXELS, TEXELS))
    edge, top = np.quantile(field, [1.0 - cover, 0.995])
    part = np.clip((field - edge) / (top - edge), 0.0, 1.0)
    # Clouds have no edge that is sharp at this scale, and no flat top.
    return np.asarray(spline_filter(part * part * (3.0 - 2.0 * part), order=3, mode="grid-wrap"))


def transmission(
    cloud: Cloud, seed: int, east: ArrayLike, north: ArrayLike, shift: tuple[float, float]
) -> Floats:
    """Return the part of the light that gets through, the same for all colours.

    Parameters
    ----------
    cloud : Cloud
    seed : int
        Of the simulation.
    east, north : array_like
        Places on the sky, arcsec from the Sun.
    shift : tuple of float
        How far the pattern has drifted, from `Cloud.shift_arcsec`.

    Returns
    -------
    ndarray
        From ``1 - absorption`` to 1.
    """
    u = (np.asarray(east, float) - shift[0]) / TEXEL_ARCSEC
    v = (np.asarray(north, float) - shift[1]) / TEXEL_ARCSEC
    if cloud.absorption == 0.0:
        return np.ones(np.broadcast(u, v).shape)
    table = _pattern(seed, cloud.cover, cloud.smallest_arcmin)
    u, v = np.broadcast_arrays(u, v)
    thick = map_coordinates(table, [v, u], order=3, mode="grid-wrap", prefilter=False)
    # Optical depth goes with the thickness.
    return np.asarray((1.0 - cloud.absorption) ** np.clip(thick, 0.0, 1.0))


def exposed(
    cloud: Cloud,
    seed: int,
    east: ArrayLike,
    north: ArrayLike,
    shift: tuple[float, float],
    exposure_s: float,
) -> Floats:
    """Return the mean transmission over an exposure that began with the pattern at ``shift``.

    Parameters are those of `transmission`. The instants are less than a third of the smallest
    structure apart.
    """
    run = float(np.hypot(*cloud.wind_arcsec_s)) * exposure_s
    steps = 1 + int(run / (20.0 * cloud.smallest_arcmin))
    total = np.zeros(np.broadcast(np.asarray(east), np.asarray(north)).shape)
    for k in range(steps):
        more = cloud.shift_arcsec((k + 0.5) / steps * exposure_s)
        total += transmission(cloud, seed, east, north, (shift[0] + more[0], shift[1] + more[1]))
    return total / steps
