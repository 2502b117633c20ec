"""Moving the white point of a picture: warmer or colder along daylight, greener or pinker across.

References
----------
Chromaticities of daylight: CIE 15:2004, *Colorimetry*, section 3.1 (the D series, 4000 to 25000 K).
A difference of reciprocal temperatures, in mired (1e6 / K), looks about alike at all temperatures.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.render.colour import LUMINANCE

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

NEUTRAL_MIRED = 1e6 / 6504.0  # D65, the white of sRGB
# IEC 61966-2-1: CIE XYZ to linear sRGB.
XYZ_TO_SRGB = np.linalg.inv(
    np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
)


def daylight_rgb(mired: float) -> Floats:
    """Return daylight of a reciprocal colour temperature as linear sRGB.

    Parameters
    ----------
    mired : float
        From 40 to 250: 25000 to 4000 K.

    Examples
    --------
    >>> [round(float(v), 2) for v in daylight_rgb(1e6 / 6504.0)]
    [1.0, 1.0, 1.0]
    """
    t = 1e6 / mired
    if t <= 7000.0:
        x = -4.6070e9 / t**3 + 2.9678e6 / t**2 + 0.09911e3 / t + 0.244063
    else:
        x = -2.0064e9 / t**3 + 1.9018e6 / t**2 + 0.24748e3 / t + 0.237040
    y = -3.0 * x * x + 2.870 * x - 0.275
    return np.asarray(XYZ_TO_SRGB @ np.array([x / y, 1.0, (1.0 - x - y) / y]))


def white_gains(mired: float, tint: float) -> Pixels:
    """Return the factors of linear R, G and B that move the white point.

    Parameters
    ----------
    mired : float
        Positive is warmer; -100 to 90.
    tint : float
        Positive is pinker, negative greener; -1 to 1.

    Returns
    -------
    ndarray of float32, shape (3,)
        Of unchanged luminance for white.
    """
    gains = daylight_rgb(NEUTRAL_MIRED + mired) / daylight_rgb(NEUTRAL_MIRED)
    gains = np.maximum(gains, 0.05)
    gains[1] *= 1.0 - 0.25 * tint
    return np.asarray(gains / (LUMINANCE @ gains), np.float32)


def balanced(to_srgb: Pixels, mired: float, tint: float) -> Pixels:
    """Return the matrix from camera colours to linear sRGB with the white point moved."""
    if mired == 0.0 and tint == 0.0:
        return to_srgb
    return np.asarray(white_gains(mired, tint)[:, None] * to_srgb, np.float32)
