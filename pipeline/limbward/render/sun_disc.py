"""The filtered Sun as a finished picture: in proportion to light, its limb as dark as it is."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from limbward.render.space import Space

Pixels = NDArray[np.float32]

BRIGHTEST = 99.5  # per cent of what is lit: a level that noise does not set
LIT = 0.3  # of the brightest, which the limb of the disc is (Allen's Astrophysical Quantities)


def sun_disc(
    radiance: Pixels, white: ArrayLike, to_srgb: Pixels, *, lightness: float, space: str
) -> tuple[Pixels, float]:
    """Return the picture (3, H, W), encoded, and the luminance that has ``lightness``.

    Parameters
    ----------
    radiance : ndarray of float32, shape (3, H, W)
        Linear, of the camera; NaN where nothing is known, which becomes black.
    white : ndarray, shape (3,)
        Multipliers of R, G, B.
    to_srgb : ndarray, shape (3, 3)
        From white-balanced colours to linear sRGB.
    lightness : float
        Of the brightest of the disc, CIE L* / 100.
    space : str
        Colour space of the picture.

    Raises
    ------
    ValueError
        If nothing in the picture is lit.

    Notes
    -----
    One factor for all: no tone curve, so that the picture keeps the limb darkening of its light.
    """
    into = Space(space)
    balanced = np.nan_to_num(radiance) * np.asarray(white, np.float32)[:, None, None]
    matrix = into.from_srgb @ np.asarray(to_srgb, np.float32)
    linear = np.tensordot(matrix, balanced, axes=1).astype(np.float32)
    luminance = np.tensordot(into.luminance, linear, axes=1)
    top = float(luminance.max(initial=0.0))
    if not top > 0:
        raise ValueError("nothing in it is lit")
    brightest = float(np.percentile(luminance[luminance > LIT * top], BRIGHTEST))
    shown = luminance_of(lightness)
    return into.encode(linear * np.float32(shown / brightest)), brightest


def luminance_of(lightness: float) -> float:
    """Return the relative luminance Y of a CIE lightness L* / 100.

    References
    ----------
    CIE 15:2004, section 8.2.1.

    Examples
    --------
    >>> round(luminance_of(0.5), 3), luminance_of(1.0)
    (0.184, 1.0)
    """
    if lightness <= 0.08:
        return 100.0 * lightness * 27.0 / 24389.0
    return float(((100.0 * lightness + 16.0) / 116.0) ** 3)
