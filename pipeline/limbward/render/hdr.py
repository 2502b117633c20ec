"""The finished picture in high dynamic range: as bright as it is on paper, and the corona above.

References
----------
Encoding: SMPTE ST 2084, the PQ curve of ITU-R BT.2100. White of what is lit as paper is, 203 cd/m2:
ITU-R BT.2408. Primaries: ITU-R BT.2020.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.render.colour import ROWS
from limbward.render.space import SRGB, Space
from limbward.render.tone import ToneCurve, ungraded

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

WHITE = 203.0  # cd/m2 that an ordinary picture's white becomes
PEAK = 1000.0  # cd/m2, what the reference display of BT.2100 reaches at least
BITS = 10
OPENING = 0.2  # of lightness, over which the corona comes into its own; less shows as a ring
STEPS = 4097


def pq(light: Floats) -> Floats:
    """Return luminances, cd/m2, as PQ encodes them, from 0 to 1."""
    power = np.power(np.clip(light / 10_000.0, 0.0, 1.0), 2610 / 16384)
    c1, c2, c3 = 3424 / 4096, 2413 / 128, 2392 / 128
    return np.asarray(np.power((c1 + c2 * power) / (1.0 + c3 * power), 2523 / 32))


def light_of(lightness: Floats) -> Floats:
    """Return the luminance (CIE Y, white is 1) of lightnesses (CIE L*/100)."""
    f = (100.0 * lightness + 16.0) / 116.0
    return np.where(f > 6 / 29, f**3, 108 / 841 * (f - 4 / 29))


def lightness_of(light: Floats) -> Floats:
    """Return the inverse of `light_of`."""
    f = np.where(light > (6 / 29) ** 3, np.cbrt(light), 841 / 108 * light + 4 / 29)
    return np.asarray((116.0 * f - 16.0) / 100.0)


def gains(tone: ToneCurve) -> tuple[Floats, Floats]:
    """Return how many times brighter than in an ordinary picture each lightness is shown.

    Parameters
    ----------
    tone : ToneCurve
        That of the picture.

    Returns
    -------
    lightness, gain : ndarray of float64
        Rising; the gain is 1 in the dark and ``PEAK / WHITE`` at lightness 1, or less of a curve
        that is nearly linear: such a picture has little left to open.

    Notes
    -----
    Where the gain is 1, light grows as the tone curve wants it: by a power of the corona's radiance
    far below one. From a certain lightness on it grows as the radiance itself, so that the ratios
    between the bright parts are those in the sky. That lightness is the one from which white comes
    to lie at `PEAK`.
    """
    lightness = np.linspace(0.0, 1.0, STEPS)
    span = (tone.ceiling - tone.floor) / np.arcsinh((tone.bright - tone.dark) / tone.soft)
    plain = ungraded(lightness, tone.brightness, tone.contrast)
    above = np.maximum(plain - tone.floor, 1e-3)
    with np.errstate(divide="ignore"):
        ordinary = np.log(np.maximum(light_of(lightness), 1e-9))
    # How much faster radiance over the sky grows than the picture's light: logarithms.
    real = np.gradient(plain, lightness) / (span * np.tanh(above / span))
    excess = np.maximum(real - np.gradient(ordinary, lightness), 0.0)

    def grown(start: float) -> Floats:
        t = np.clip((lightness - start) / OPENING, 0.0, 1.0)
        rate = excess * t * t * (3.0 - 2.0 * t)
        steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(lightness)
        return np.concatenate([[0.0], np.cumsum(steps)])

    low, high, wanted = tone.floor, 1.0, np.log(PEAK / WHITE)
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if grown(middle)[-1] > wanted else (low, middle)
    return lightness, np.exp(np.minimum(grown(low), wanted))


def hdr_codes(picture: Pixels, tone: ToneCurve, space: Space = SRGB) -> NDArray[np.uint16]:
    """Return a finished picture as PQ codes of BT.2020 colours.

    Parameters
    ----------
    picture : ndarray of float32, shape (3, H, W)
        Encoded in ``space``.
    tone : ToneCurve
        With which it was made.
    space : Space

    Returns
    -------
    ndarray of uint16, shape (H, W, 3)
        Of 10 bits, the whole range. A colour that would be brighter than `PEAK` is made darker,
        not paler.
    """
    table, gain = gains(tone)
    matrix = Space("wide").from_srgb @ np.linalg.inv(space.from_srgb)
    out = np.empty((*picture.shape[1:], 3), np.uint16)
    for top in range(0, picture.shape[1], ROWS):
        linear = space.decode(np.ascontiguousarray(picture[:, top : top + ROWS])).astype(float)
        light = np.tensordot(space.luminance.astype(float), linear, axes=1)
        times = np.interp(lightness_of(light), table, gain)
        shown = np.tensordot(matrix.astype(float), linear, axes=1)
        shown *= WHITE * times
        shown /= np.maximum(shown.max(axis=0) / PEAK, 1.0)
        out[top : top + ROWS] = np.moveaxis(np.rint(pq(shown) * (2**BITS - 1)), 0, -1)
    return out
