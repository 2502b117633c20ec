"""Where limbs lie whose blurred profiles are measured by their steepest place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]

STEP = 0.05
# Pixels from the limb into the bright side; the limb lies between two.
DEPTH = np.arange(-12.0, 12.0, STEP) + 0.5 * STEP

# Green continuum against mu, coefficients of mu^0 to mu^5, after H. Neckel, D. Labs, Solar Physics
# 153 (1994) 91: within 0.03 of the centre's brightness of Allen's at 550 nm, as a test has it. A
# camera's green differs little in the shape near the limb.
GREEN = (0.30505, 1.13123, -0.78604, 0.40560, 0.02297, -0.07880)


def limb_darkening(mu: Floats, coefficients: tuple[float, ...] = GREEN) -> Floats:
    """Return the brightness at ``mu`` (cosine of the heliocentric angle), 1 at the centre."""
    return np.asarray(np.polynomial.polynomial.polyval(mu, coefficients))


def edge_inset(radius: float, measured_blur: float, filter_sigma: float = 1.0) -> float:
    """Return how far inside the Sun's limb the steepest place of the profile lies, pixels.

    Parameters
    ----------
    radius : float
        Of the Sun, pixels.
    measured_blur : float
        Blur as `limbward.limb.edges.radial_edges` gives it, pixels; it includes the darkening.
    filter_sigma : float
        Of the derivative filter used there, pixels.

    Notes
    -----
    The brightness falls to 30 % with a vertical tangent at the limb, so the blurred profile is
    steepest inside it: by 0.20 px at a radius of 125 px and a measured blur of 0.9 px.
    """
    mu = np.sqrt(np.clip(1.0 - (1.0 - DEPTH / radius) ** 2, 0.0, 1.0))
    return -_steepest(np.where(DEPTH > 0, limb_darkening(mu), 0.0), measured_blur, filter_sigma)


def corona_inset(fall: float, measured_blur: float, filter_sigma: float = 1.0) -> float:
    """Return how far inside the Moon's limb the profile of the corona before it is steepest.

    Parameters
    ----------
    fall : float
        Pixels in which the corona falls off to 1/e from the limb outwards.
    measured_blur, filter_sigma : float
        As for `edge_inset`.

    Notes
    -----
    About the square of the blur over ``fall``: 0.05 px at a radius of 300 px, but 0.3 px at 40 px.
    It makes the Moon too small, and with it a scale that is taken from its size; the centre keeps.
    """
    profile = np.where(DEPTH > 0, np.exp(-np.maximum(DEPTH, 0.0) / fall), 0.0)
    return _steepest(profile, measured_blur, filter_sigma)


def _steepest(profile: Floats, measured_blur: float, filter_sigma: float) -> float:
    """Return how far from the limb, towards the dark, a blurred profile is steepest.

    The profile is given at ``DEPTH`` pixels into the bright side. It also gives the blur that it
    seems to have when it is measured, from which the true one follows.
    """

    def apparent(blur: float) -> tuple[float, float]:
        sigma = np.hypot(blur, filter_sigma) / STEP
        slope = ndimage.gaussian_filter1d(profile, sigma, order=1, mode="nearest") / STEP
        k = int(np.argmax(slope))
        blurred = ndimage.gaussian_filter1d(profile, blur / STEP, mode="nearest")
        reach = round(3.0 / STEP)
        jump = blurred[min(k + reach, profile.size - 1)] - blurred[max(k - reach, 0)]
        width = jump / slope[k] / np.sqrt(2 * np.pi)
        left, middle, right = slope[k - 1 : k + 2]
        top = DEPTH[k] + 0.5 * STEP * (left - right) / (left - 2 * middle + right)
        return -float(top), float(np.sqrt(max(width**2 - filter_sigma**2, 0.0)))

    towards_dark, widths = np.array([apparent(b) for b in np.linspace(0.2, 4.0, 39)]).T
    # Beside a steep fall a wider blur may seem narrower: from where that begins there is no answer.
    rising = int(np.argmax(widths)) + 1
    return float(np.interp(measured_blur, widths[:rising], towards_dark[:rising]))
