"""What the air does to a point of light: seeing, and the aureole of dust, haze and thin cirrus."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FWHM = 2.0 * math.sqrt(2.0 * math.log(2.0))  # of a Gaussian, in its standard deviations
# A law of 1/angle^2 made of Gaussians whose sigmas are this ratio apart ripples by under 1 %.
RATIO = 1.6


@dataclass(frozen=True)
class Blur:
    """How wide one frame's point is, apart from its wings.

    Attributes
    ----------
    seeing_arcsec : float
        Full width at half maximum of what the air adds.
    defocus_px : float
        Radius of the disc that a point becomes out of focus.
    sigma_px : float
        Standard deviation of all together, optics included.
    """

    seeing_arcsec: float
    defocus_px: float
    sigma_px: float


def blur_of(
    psf_sigma_px: float, seeing_arcsec: float, defocus_px: float, scale_arcsec: float
) -> Blur:
    """Return the blur of optics, air and focus together.

    Variances add. An even disc of radius r has the variance r^2 / 4 on each axis; up to 1.5 px of
    radius a Gaussian of that variance, blurred by optics of 0.8 px, differs from it by under 2 %
    of its peak.

    Parameters
    ----------
    psf_sigma_px : float
        Of the optics in focus.
    seeing_arcsec : float
        Full width at half maximum.
    defocus_px : float
    scale_arcsec : float
        A pixel.
    """
    sigma = math.hypot(psf_sigma_px, seeing_arcsec / FWHM / scale_arcsec, 0.5 * abs(defocus_px))
    return Blur(seeing_arcsec, defocus_px, sigma)


def aureole_sigmas(inner_arcsec: float, outer_arcsec: float) -> Floats:
    """Return the sigmas of Gaussians, all of the same light, that make up an aureole.

    The same light in each octave of angle is a brightness that falls with the square of the
    angle, between ``inner_arcsec`` and ``outer_arcsec``.

    Parameters
    ----------
    inner_arcsec, outer_arcsec : float

    Returns
    -------
    ndarray
        Arcsec, increasing.

    References
    ----------
    I. R. King, "The profile of a star image", Publ. Astron. Soc. Pacific 83 (1971) 199: beyond
    half an arcminute the light of a star falls with the inverse square of the angle.
    """
    count = 1 + math.ceil(math.log(outer_arcsec / inner_arcsec) / math.log(RATIO))
    return np.geomspace(inner_arcsec, outer_arcsec, count)
