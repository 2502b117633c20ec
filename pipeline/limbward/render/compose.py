"""The picture: tone, detail and colour of the corona around a dark Moon."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.render.colour import luminance, paint, solar_white, to_linear_srgb
from limbward.render.smooth import fill_nearest, smooth_to_noise
from limbward.render.tone import ToneCurve, fit_tone, smooth_limit

Pixels = NDArray[np.float32]

MOON_LIGHTNESS = 0.035
LIMB_FADE_PX = 1.2  # half-width of the Moon's edge, that of a sharp lens
DETAIL_SCALE = 2.5  # deviations of a filtered picture that count as full contrast


@dataclass(frozen=True)
class Disc:
    """Centre and radius in pixels."""

    x: float
    y: float
    radius: float


@dataclass(frozen=True)
class Look:
    """How the picture is to look.

    Attributes
    ----------
    detail : float
        Lightness that full contrast of the structure adds or takes in the middle tones.
    saturation : float
        Of the colours; 1 is as they are.
    """

    detail: float = 0.16
    saturation: float = 1.0


def compose(
    radiance: Pixels,
    sigma: Pixels,
    structure: Pixels | None,
    sun: Disc,
    moon: Disc,
    daylight: Pixels,
    to_srgb: Pixels,
    look: Look | None = None,
) -> tuple[Pixels, ToneCurve]:
    """Return the picture in the orientation of its parts.

    Parameters
    ----------
    radiance, sigma : ndarray of float32, shape (3, H, W)
        The linear corona in the camera's colours and its noise; NaN where there is none.
    structure : ndarray of float32, shape (3, H, W) or (1, H, W), optional
        A filtered version, about 0 on average with deviation 1.
    sun, moon : Disc
        The Moon at greatest eclipse.
    daylight : ndarray, shape (3,)
        The camera's white balance for daylight.
    to_srgb : ndarray, shape (3, 3)
        From white-balanced camera colours to linear sRGB.
    look : Look, optional

    Returns
    -------
    picture : ndarray of float32, shape (H, W, 3)
        Encoded sRGB from 0 to 1.
    tone : ToneCurve
    """
    look = look or Look()
    height, width = radiance.shape[1:]
    rho = _distance(height, width, sun) / np.float32(sun.radius)
    white = solar_white(radiance, rho, daylight)
    linear = to_linear_srgb(radiance, white, to_srgb)
    light = luminance(linear)
    tone = fit_tone(light, rho)

    known = np.isfinite(light)
    # Noise of the luminance; the colours' errors are independent.
    share = np.abs(luminance(np.asarray(to_srgb, np.float32)[:, :, None])[0] * white)
    spread = np.sqrt(np.einsum("i,ihw->hw", share**2, sigma.astype(np.float32) ** 2))
    step = tone.soft * 0.1
    slope = (tone.lightness(light + step) - tone.lightness(light - step)) / (2.0 * step)
    shown_noise = np.where(known, spread * slope, 0.0).astype(np.float32)

    lightness = fill_nearest(np.where(known, tone.lightness(light), np.nan).astype(np.float32))
    lightness = smooth_to_noise(lightness, shown_noise, target=0.004)
    if structure is not None:
        detail = fill_nearest(structure.mean(axis=0))
        contrast = _detail_noise(light, spread, rho, known)
        detail = smooth_to_noise(detail, contrast, target=0.25)
        # Middle tones take detail whole, black and white none, so that nothing is clipped.
        room = np.sqrt(np.clip(4.0 * lightness * (1.0 - lightness), 0.0, 1.0))
        lightness = lightness + look.detail * room * smooth_limit(detail / DETAIL_SCALE)

    ratio = _chromaticity(linear, light, spread, known)
    picture = paint(lightness, ratio, look.saturation)
    return _with_moon(picture, moon), tone


def _distance(height: int, width: int, disc: Disc) -> Pixels:
    dx = np.arange(width, dtype=np.float32) - np.float32(disc.x)
    dy = np.arange(height, dtype=np.float32) - np.float32(disc.y)
    return np.hypot(dx[None, :], dy[:, None])


def _detail_noise(light: Pixels, spread: Pixels, rho: Pixels, known: NDArray[np.bool_]) -> Pixels:
    """Return the noise of the structure in units of its annulus' deviation."""
    ring = np.minimum(rho * 40.0, 32000.0).astype(np.int32)
    at = ring[known]
    count = np.maximum(np.bincount(at), 1)
    mean = np.bincount(at, light[known]) / count
    square = np.bincount(at, light[known].astype(np.float64) ** 2) / count
    deviation = np.sqrt(np.maximum(square - mean**2, 1e-30))
    out = np.zeros(light.shape, np.float32)
    out[known] = spread[known] / deviation[at]
    return out


def _chromaticity(
    linear: Pixels, light: Pixels, spread: Pixels, known: NDArray[np.bool_]
) -> Pixels:
    """Return linear sRGB over luminance, smoothed where it is noise."""
    safe = np.maximum(light, np.float32(1e-30))
    noise = np.where(known, 2.0 * spread / safe, 0.0).astype(np.float32)
    out = np.empty(linear.shape, np.float32)
    for c in range(3):
        plane = np.where(known & (light > 0), linear[c] / safe, np.nan).astype(np.float32)
        out[c] = smooth_to_noise(fill_nearest(np.clip(plane, 0.0, 4.0)), noise, target=0.02)
    return out


def _with_moon(picture: Pixels, moon: Disc) -> Pixels:
    """Lay the Moon over the picture; its edge is soft by a little more than a pixel."""
    distance = _distance(picture.shape[0], picture.shape[1], moon)
    t = np.clip((distance - moon.radius) / (2.0 * LIMB_FADE_PX) + 0.5, 0.0, 1.0)
    cover = (1.0 - t * t * (3.0 - 2.0 * t)).astype(np.float32)[..., None]
    dark = paint(np.full((1, 1), MOON_LIGHTNESS, np.float32), np.ones((3, 1, 1), np.float32))
    return np.asarray(picture * (1.0 - cover) + dark * cover, np.float32)
