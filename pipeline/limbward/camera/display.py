"""Pictures encoded for a display: how a file says so, and the way back to light."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
from numpy.typing import NDArray

ICC_PROFILE = 34675
EXIF_POINTER, COLOR_SPACE, SRGB, ADOBE_RGB = 34665, "ColorSpace", 1, 2
WHITE_LEVEL, LINEARIZATION = 50717, 50712  # of DNG
TOP = 65535  # of what comes out of 16 bits
# Of what comes out of 8: so a step of sRGB in the dark is 1 ADU, and what measures noise by ADU
# takes no step for light, nor the ripples of a JPEG around an edge.
TOP_8 = 3295  # 255 x 12.92
NEARLY_STRAIGHT = 0.005  # curves that stay within this of a line are no encoding
ADOBE_GAMMA = 563.0 / 256.0  # Adobe RGB (1998) Color Image Encoding, 2005, 4.3.4.2

Curve = NDArray[np.float64]


def display_curve(page: Any) -> tuple[str, Curve] | None:
    """Return what a TIFF page says of its encoding for a display, and the curve that undoes it.

    Parameters
    ----------
    page : tifffile.TiffPage

    Returns
    -------
    tuple of str and ndarray of float, or None
        Whence it is known, and the light, 0 to 1, of each value of the file. None if the values
        are linear as far as the file tells: floats and 32 bits, a DNG's white level, a profile
        with a straight curve, or no statement at all. Of colour with 8 bits a sample, which no
        camera and no converter writes linearly, none is needed. Grey with 8 bits is what
        astronomical cameras write, linearly.
    """
    if page.dtype is None or page.dtype.kind != "u" or page.dtype.itemsize > 2:
        return None
    if page.tags.valueof(WHITE_LEVEL) is not None or page.tags.valueof(LINEARIZATION) is not None:
        return None
    steps = np.linspace(0.0, 1.0, 2 ** (8 * page.dtype.itemsize))
    profile = page.tags.valueof(ICC_PROFILE)
    if isinstance(profile, bytes):
        try:
            curve = profile_curve(profile, steps)
        except struct.error:  # cut short, but linear files carry none as a rule
            curve = None
        if curve is not None:
            straight = np.abs(curve - steps).max() < NEARLY_STRAIGHT
            return None if straight else ("its colour profile", curve)
        return "its colour profile", from_srgb(steps)
    exif = page.tags.valueof(EXIF_POINTER)
    space = exif.get(COLOR_SPACE) if isinstance(exif, dict) else None
    colour = int(page.samplesperpixel) >= 3
    if colour and space == ADOBE_RGB:
        return "the Exif tag ColorSpace", steps**ADOBE_GAMMA
    if colour and space == SRGB:
        return "the Exif tag ColorSpace", from_srgb(steps)
    if colour and page.dtype.itemsize == 1:
        return "8 bits a sample", from_srgb(steps)
    return None


def from_srgb(encoded: Curve) -> Curve:
    """Return light from values of sRGB, both 0 to 1 (IEC 61966-2-1)."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def to_light(data: NDArray[Any], curve: Curve) -> tuple[NDArray[np.uint16], float]:
    """Return values in proportion to light by the curve over all values, and white's."""
    top = TOP_8 if curve.size == 256 else TOP
    return np.rint(np.clip(curve, 0.0, 1.0) * top).astype(np.uint16)[data], float(top)


def profile_curve(profile: bytes, encoded: Curve) -> Curve | None:
    """Return light by the tone curve of an ICC profile, the green one of three; None without one.

    Raises
    ------
    struct.error
        If the profile is cut short.

    References
    ----------
    ICC.1:2022 (profile version 4.4), 7.2 and 10.6 (curveType), 10.18 (parametricCurveType).
    """
    (count,) = struct.unpack_from(">I", profile, 128)
    for i in range(min(count, 100)):
        name, at, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        if name in (b"gTRC", b"kTRC"):
            return _curve(profile[at : at + size], encoded)
    return None


def _curve(tag: bytes, x: Curve) -> Curve | None:
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return x
        values = np.array(struct.unpack_from(f">{count}H", tag, 12), np.float64)
        if count == 1:
            return np.asarray(x ** (values[0] / 256.0))
        return np.interp(x, np.linspace(0.0, 1.0, count), values / 65535.0)
    if tag[:4] != b"para":
        return None
    (kind,) = struct.unpack_from(">H", tag, 8)
    needed = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(kind)
    if needed is None:
        return None
    p = np.zeros(7)
    p[1] = 1.0
    p[:needed] = np.array(struct.unpack_from(f">{needed}i", tag, 12)) / 65536.0
    gamma, a, b, c, d, e, f = p.tolist()
    if kind in (1, 2):  # level at c up to where a x + b is 0
        d, e, f, c = (-b / a if a else 0.0), c, c, 0.0
    return np.where(x >= d, np.maximum(a * x + b, 0.0) ** gamma + e, c * x + f)
