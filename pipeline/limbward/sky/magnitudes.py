"""How bright the planets are."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Magnitude at 1 au from Sun and Earth as a series in the phase angle (degrees), lowest power first:
# A. Mallama and J. L. Hilton, Astronomy and Computing 25 (2018) 10, equations 2 to 10.
SERIES = {
    "Mercury": (-0.613, 6.3280e-2, -1.6336e-3, 3.3644e-5, -3.4265e-7, 1.6893e-9, -3.0334e-12),
    "Venus": (-4.384, -1.044e-3, 3.687e-4, -2.814e-6, 8.938e-9),
    "Mars": (-1.601, 2.267e-2, -1.302e-4),
    "Jupiter": (-9.395, -3.7e-4, 6.16e-4),
}
VENUS_THIN = (236.05828, -2.81914, 8.39034e-3)  # beyond 163.7 degrees
MARS_WIDE = (-0.367, -0.02573, 3.445e-4)  # beyond 50 degrees
SATURN_POLE = np.array([0.08547883, 0.07323576, 0.99364475])  # ICRF, IAU WGCCRE 2015


def planet_magnitude(name: str, from_sun: Floats, from_observer: Floats) -> Floats:
    """Return the apparent V magnitude of a planet, without extinction.

    Parameters
    ----------
    name : {'Mercury', 'Venus', 'Mars', 'Jupiter', 'Saturn'}
    from_sun, from_observer : ndarray, shape (N, 3)
        The planet's place, au, ICRF axes.

    Notes
    -----
    Mars' albedo differs by 0.06 from one side to the other, which is left out.

    References
    ----------
    A. Mallama and J. L. Hilton, Astronomy and Computing 25 (2018) 10.
    """
    r, d = np.linalg.norm(from_sun, axis=-1), np.linalg.norm(from_observer, axis=-1)
    cosine = np.sum(from_sun * from_observer, axis=-1) / (r * d)
    phase = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    far = 5.0 * np.log10(r * d)
    if name == "Saturn":
        # The ring as wide open as the Earth or the Sun sees it, whichever is the less lit.
        sub_earth = np.arcsin(-(from_observer @ SATURN_POLE) / d)
        sub_sun = np.arcsin(-(from_sun @ SATURN_POLE) / r)
        both = sub_earth * sub_sun
        tilt = np.sin(np.sqrt(np.maximum(both, 0.0)))
        ring = -8.914 - 1.825 * tilt + 0.026 * phase - 0.378 * tilt * np.exp(-2.25 * phase)
        return np.asarray(far + ring)
    usual = np.polynomial.polynomial.polyval(phase, SERIES[name])
    if name == "Venus":
        thin = np.polynomial.polynomial.polyval(phase, VENUS_THIN)
        usual = np.where(phase < 163.7, usual, thin)
    if name == "Mars":
        wide = np.polynomial.polynomial.polyval(phase, MARS_WIDE)
        usual = np.where(phase <= 50.0, usual, wide)
    return np.asarray(far + usual)
