"""Where the Sun's limb lies when a blurred, darkened disc is measured by its steepest place."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Floats = NDArray[np.float64]

# Green continuum against mu, coefficients of mu^0 to mu^5, after H. Neckel, D. Labs, Solar Physics
# 153 (1994) 91: within 0.03 of the centre's brightness of Allen's at 550 nm, as a test has it. A
# camera's green differs little in the shape near the limb.
GREEN = (0.30505, 1.13123, -0.78604, 0.40560, 0.02297, -0.07880)


def limb_darkening(mu: Floats, coefficients: tuple[float, ...] = GREEN) -> Floats:
    """Return the brightness at ``mu`` (cosine of the heliocentric angle), 1 at the centre."""
    return np.asarray(np.polynomial.polynomial.polyval(mu, coefficients))


def edge_inset(radius: float, measured_blur: float, filter_sigma: float = 1.0) -> float:
    """Return how far inside the limb the steepest place of the profile lies, pixels.

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
    steepest inside it: by 0.28 px at a radius of 125 px and a blur of 0.9 px. The same model gives
    the blur that such a profile seems to have, from which the true one follows.
    """
    step = 0.05
    x = np.arange(-12.0, 12.0, step)
    mu = np.sqrt(np.clip(1.0 - (1.0 + x / radius) ** 2, 0.0, 1.0))
    profile = np.where(x < 0, limb_darkening(mu), 0.0)

    def apparent(blur: float) -> tuple[float, float]:
        sigma = np.hypot(blur, filter_sigma) / step
        slope = -ndimage.gaussian_filter1d(profile, sigma, order=1, mode="nearest") / step
        k = int(np.argmax(slope))
        blurred = ndimage.gaussian_filter1d(profile, blur / step, mode="nearest")
        reach = round(3.0 / step)
        jump = blurred[max(k - reach, 0)] - blurred[min(k + reach, x.size - 1)]
        width = jump / slope[k] / np.sqrt(2 * np.pi)
        return -float(x[k]), float(np.sqrt(max(width**2 - filter_sigma**2, 0.0)))

    blurs = np.linspace(0.2, 4.0, 39)
    insets, widths = np.array([apparent(b) for b in blurs]).T
    return float(np.interp(measured_blur, widths, insets))
