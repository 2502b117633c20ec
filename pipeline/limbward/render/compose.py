"""The picture: tone, detail and colour of the corona around the Moon.

Everything is float32, in place or by bands of rows: at 24 megapixels it takes less than 1.2 GB.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.disc import Disc
from limbward.radiance.fits import PlaneRows
from limbward.radiance.scratch import Room, by_rows, let_go
from limbward.render.chroma import Box, around, to_chromaticity
from limbward.render.colour import (
    LUMINANCE,
    luminance,
    paint,
    solar_white,
    to_linear_srgb,
)
from limbward.render.moon import cover, distance, earthshine
from limbward.render.smooth import fill_nearest, smooth_to_noise
from limbward.render.space import Space
from limbward.render.tone import STEEPEST, ToneCurve, fit_tone, tone_mapped

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

MOON_LIGHTNESS = 0.03
EARTHSHINE_LIGHTNESS = 0.10  # what the brightest highlands have more than the maria
USUAL_BLUR_PX = 0.9  # where no frame's limb was measured: a good lens at the pixel's size
DETAIL_SCALE = 2.5  # deviations of a filtered picture that count as full contrast


@dataclass(frozen=True)
class Look:
    """How the picture is to look.

    Attributes
    ----------
    detail : float
        Lightness that full contrast of the structure adds or takes in the middle tones.
    saturation : float
        Of the colours; 1 is as they are.
    white_balance : str
        ``solar`` makes the middle corona white, ``daylight`` takes the camera's own daylight.
    sky : float
        Lightness (CIE L*/100) of the darkest sky.
    highlights : float
        Lightness of the brightest corona.
    outer : float
        Part of the range at which the curve turns from linear to logarithmic; smaller lifts the
        outer corona.
    brightness, contrast : float
        Of the finished tones, -1 to 1; see `limbward.render.tone.graded`.
    level_sky : bool
        Whether a slope across the outermost parts is taken off.
    moon : float
        Lightness of the Moon's disc.
    earthshine : float
        Strength of the Moon's surface; 0 is an even dark disc.
    limb_px : float
        Standard deviation of the point-spread function, to which the Moon's limb is feathered.
    space : str
        ``srgb`` or ``wide``.
    """

    detail: float = 0.16
    saturation: float = 1.0
    white_balance: Literal["solar", "daylight"] = "solar"
    sky: float = 0.05
    highlights: float = 0.95
    outer: float = 1e-3
    brightness: float = 0.0
    contrast: float = 0.0
    level_sky: bool = False
    moon: float = MOON_LIGHTNESS
    earthshine: float = 1.0
    limb_px: float = USUAL_BLUR_PX
    space: Literal["srgb", "wide"] = "srgb"

    def tone(self, light: Pixels, rho: Pixels) -> ToneCurve:
        """Return the tone curve for a corona; see `limbward.render.tone.fit_tone`."""
        return fit_tone(
            light,
            rho,
            sky=self.sky,
            highlights=self.highlights,
            outer=self.outer,
            brightness=self.brightness,
            contrast=self.contrast,
        )


def blur_of(limb_width: Floats) -> float:
    """Return the typical blur of limbs of the frames merged, pixels; `USUAL_BLUR_PX` if none is."""
    measured = limb_width[np.isfinite(limb_width)]
    return float(np.median(measured)) if measured.size else USUAL_BLUR_PX


@dataclass(frozen=True)
class Composite:
    """A finished picture.

    Attributes
    ----------
    picture : ndarray of float32, shape (3, H, W)
        Encoded, from 0 to 1.
    tone : ToneCurve
    white : ndarray of float32, shape (3,)
        Multipliers of the camera's R, G, B.
    """

    picture: Pixels
    tone: ToneCurve
    white: Pixels


def compose(
    radiance: Pixels,
    sigma: Iterable[Pixels | PlaneRows] | None,
    structure: Pixels | None,
    sun: Disc,
    moon: Disc,
    daylight: Pixels,
    to_srgb: Pixels,
    look: Look | None = None,
    surface: tuple[Pixels, int, int] | None = None,
    room: Room = np.empty,
) -> Composite:
    """Return the picture in the orientation of its parts.

    Parameters
    ----------
    radiance : ndarray of float32, shape (3, H, W)
        The linear corona in the camera's colours; NaN where there is none. It is *overwritten*
        with the picture, which saves a third of the memory.
    sigma : iterable of three ndarray (H, W), optional
        Its noise in each colour; read once, one after the other.
    structure : ndarray of float32, shape (H, W), optional
        A filtered version; overwritten too.
    sun, moon : Disc
        The Moon at greatest eclipse.
    daylight : ndarray, shape (3,)
        The camera's white balance for daylight.
    to_srgb : ndarray, shape (3, 3)
        From white-balanced camera colours to linear sRGB.
    look : Look, optional
    surface : (ndarray of float32 (3, h, w), int, int), optional
        The Moon's disc as merged, and the row and column of its top-left pixel.
    room : callable
        Makes the arrays that are needed meanwhile, of the picture's size.

    Returns
    -------
    Composite

    Raises
    ------
    ValueError
        If the picture does not show the corona at the limb.
    """
    look = look or Look()
    space = Space(look.space)
    shape = radiance.shape[1:]
    rho = distance(shape, sun, room)
    for rows in by_rows(shape[0], rho):
        rho[rows] /= np.float32(sun.radius)
    if look.level_sky:
        level_sky(radiance, rho)
    white = np.asarray(daylight, np.float32)
    if look.white_balance == "solar":
        white = solar_white(radiance, rho, white)
    let_go(radiance)
    spread = luminance_noise(sigma, white, to_srgb, shape, room)
    linear = to_linear_srgb(radiance, white, to_srgb, out=radiance)
    light = luminance(linear, room)
    tone = look.tone(light, rho)
    known = np.empty(shape, bool)
    for rows in by_rows(shape[0], light):
        np.isfinite(light[rows], out=known[rows])
    box = around(moon, shape)
    let_go(linear)  # read again for its colours

    detail = None
    if structure is not None:
        noise = noise_to_deviation(light, spread, rho, known, room)
        inner = np.empty(shape, bool)
        for rows in by_rows(shape[0], rho):
            inner[rows] = known[rows] & (rho[rows] > 1.0) & (rho[rows] < 3.0)
        del rho
        detail = contrast_of(structure, noise, inner, box, room)
        del noise, inner
    lightness = lightness_of(light, spread, tone, known, box, room)
    if detail is not None:
        add_detail(lightness, detail, look.detail)
        del detail

    to_chromaticity(linear, light, spread, known, box, room)
    del light, spread, known
    picture = paint(lightness, linear, look.saturation, space, out=linear)
    del lightness
    lay_moon(picture, moon, look, space, shine_of(moon, surface, look))
    return Composite(picture, tone, white)


def add_detail(lightness: Pixels, detail: Pixels, strength: float) -> None:
    """Add detail to a lightness, in place: middle tones take it whole, black and white none."""
    for rows in by_rows(len(lightness), lightness, detail):
        band, more = lightness[rows], detail[rows]
        room = np.clip(4.0 * band * (1.0 - band), 0.0, 1.0)  # so that nothing is clipped
        more *= np.sqrt(room, out=room)
        band += np.float32(strength) * more


def level_sky(radiance: Pixels, rho: Pixels) -> None:
    """Take the slope of the outermost sky off each colour; the level in the middle stays."""
    far = rho >= np.quantile(rho[::17, ::17], 0.85)
    y, x = np.nonzero(far)
    y, x = y[::7], x[::7]
    u = (x / radiance.shape[2] - 0.5).astype(np.float32)
    v = (y / radiance.shape[1] - 0.5).astype(np.float32)
    for plane in radiance:
        value = plane[y, x]
        use = np.isfinite(value)
        for _ in range(4):  # streamers are outliers of the sky
            if use.sum() < 100:
                return
            a = np.stack([np.ones(use.sum()), u[use], v[use]], axis=1)
            fit = np.linalg.lstsq(a, value[use].astype(float), rcond=None)[0]
            rest = value - (fit[0] + fit[1] * u + fit[2] * v)
            width = 1.4826 * np.nanmedian(np.abs(rest[use]))
            use = np.isfinite(value) & (rest < 1.5 * width) & (rest > -3.0 * width)
        plane -= (fit[1] * (np.arange(plane.shape[1]) / plane.shape[1] - 0.5)).astype("f4")
        plane -= (fit[2] * (np.arange(plane.shape[0]) / plane.shape[0] - 0.5)).astype("f4")[:, None]


def luminance_noise(
    sigma: Iterable[Pixels | PlaneRows] | None,
    white: Pixels,
    to_srgb: Pixels,
    shape: tuple[int, ...],
    room: Room = np.empty,
) -> Pixels:
    """Return the noise of the luminance; the colours' errors are independent."""
    out = room(shape, np.float32)
    for rows in by_rows(shape[0], out):
        out[rows] = 0.0
    if sigma is None:
        return out
    share = np.abs(LUMINANCE @ np.asarray(to_srgb, np.float32)) * white
    for part, plane in zip(share, sigma, strict=True):
        for rows in by_rows(shape[0], out):
            out[rows] += np.square(part * np.asarray(plane[rows], np.float32))
    for rows in by_rows(shape[0], out):
        band = out[rows]
        band[~np.isfinite(band)] = 0.0
        np.sqrt(band, out=band)
    return out


def lightness_of(
    light: Pixels,
    spread: Pixels,
    tone: ToneCurve,
    known: NDArray[np.bool_],
    box: Box,
    room: Room = np.empty,
) -> Pixels:
    """Return the tone-mapped luminance, with its noise held down and its gaps filled."""
    shown, noise = tone_mapped(light, spread, known, tone, room)
    out = room(shown.shape, np.float32)
    return smooth_to_noise(fill_nearest(shown, box, in_place=True), noise, target=0.004, out=out)


def contrast_of(
    structure: Pixels,
    noise: Pixels,
    inner: NDArray[np.bool_],
    box: Box,
    room: Room = np.empty,
) -> Pixels:
    """Return the structure as a contrast from -1 to 1, smoothed where it is noise."""
    found = []
    for rows in by_rows(len(structure), structure):
        band = structure[rows]
        found.append(band[inner[rows] & np.isfinite(band)])
    sample = np.concatenate(found)[::7]
    del found
    if not sample.size:
        return np.zeros(structure.shape, np.float32)
    middle, width = float(np.median(sample)), max(float(sample.std()), 1e-12)
    filled = fill_nearest(structure, box, room=room)
    out = room(structure.shape, np.float32) if filled is structure else filled
    for rows in by_rows(len(out), out, filled):
        np.subtract(filled[rows], np.float32(middle), out=out[rows])
        out[rows] /= np.float32(width)
    smooth_to_noise(out, noise, target=0.25, out=structure)
    for rows in by_rows(len(structure), structure):
        band = structure[rows]
        band /= np.float32(DETAIL_SCALE)
        np.tanh(band, out=band)
    return structure


def noise_to_deviation(
    light: Pixels,
    spread: Pixels,
    rho: Pixels,
    known: NDArray[np.bool_],
    room: Room = np.empty,
) -> Pixels:
    """Return the noise in units of its annulus' deviation."""
    ring = np.empty(rho.shape, np.int16)
    for band in by_rows(len(rho), rho):
        ring[band] = np.minimum(rho[band] * np.float32(40.0), 32000.0)
    count, first, second = (np.zeros(int(ring.max()) + 1) for _ in range(3))
    for band in by_rows(len(light), light):
        at, value = ring[band][known[band]], light[band][known[band]]
        count += np.bincount(at, minlength=count.size)
        first += np.bincount(at, value, minlength=count.size)
        second += np.bincount(at, value.astype(float) ** 2, minlength=count.size)
    n = np.maximum(count, 1.0)
    variance = second / n - (first / n) ** 2
    deviation = np.sqrt(np.maximum(variance, 1e-30)).astype(np.float32)
    out = room(light.shape, np.float32)
    for band in by_rows(len(light), spread, out):
        out[band] = 0.0
        np.divide(spread[band], deviation[ring[band]], out=out[band], where=known[band])
    return out


def shine_of(
    moon: Disc, surface: tuple[Pixels, int, int] | None, look: Look
) -> tuple[Pixels, int, int] | None:
    """Return the earthshine on the Moon's disc and where it lies; None if it is not wanted."""
    if surface is None or look.earthshine <= 0.0:
        return None
    disc, row, column = surface
    return earthshine(disc, Disc(moon.x - column, moon.y - row, moon.radius)), row, column


def lay_moon(
    picture: Pixels,
    moon: Disc,
    look: Look,
    space: Space,
    shine: tuple[Pixels, int, int] | None,
) -> None:
    """Lay the Moon over the picture, in place; ``shine`` is of `shine_of`."""
    height, width = picture.shape[1:]
    reach = int(np.ceil(moon.radius + 6.0 * look.limb_px + 2.0))
    top, left = max(round(moon.y) - reach, 0), max(round(moon.x) - reach, 0)
    bottom, right = min(round(moon.y) + reach + 1, height), min(round(moon.x) + reach + 1, width)
    if top >= bottom or left >= right:
        return
    box = picture[:, top:bottom, left:right]
    here = Disc(moon.x - left, moon.y - top, moon.radius)
    lightness = np.full(box.shape[1:], look.moon, np.float32)
    if shine is not None:
        bright, row, column = shine
        dy, dx = row - top, column - left
        y0, x0 = max(dy, 0), max(dx, 0)
        y1 = min(dy + bright.shape[0], box.shape[1])
        x1 = min(dx + bright.shape[1], box.shape[2])
        part = bright[y0 - dy : y1 - dy, x0 - dx : x1 - dx]
        lightness[y0:y1, x0:x1] += np.float32(EARTHSHINE_LIGHTNESS * look.earthshine) * part
        np.clip(lightness, min(0.01, look.moon), None, out=lightness)
    dark = paint(lightness, np.ones(box.shape, np.float32), space=space)
    share = cover(box.shape[1:], here, look.limb_px)
    box *= 1.0 - share
    box += share * dark


def tone_json(made: Composite, white_balance: str) -> dict[str, Any]:
    """Return the tone curve and the white balance of a composite, as tone.json has them."""
    tone = made.tone
    return {
        "curve": "L = floor + (ceiling - floor) asinh((Y - dark) / soft) / "
        "asinh((bright - dark) / soft)",
        "inverse": "Y = dark + soft sinh((L - floor) / (ceiling - floor) "
        "asinh((bright - dark) / soft))",
        "dark": tone.dark,
        "bright": tone.bright,
        "soft": tone.soft,
        "floor": tone.floor,
        "ceiling": tone.ceiling,
        "graded": "then M = L ** (2 ** -brightness), "
        f"and M + {STEEPEST} contrast M (1 - M) (2 M - 1)",
        "brightness": tone.brightness,
        "contrast": tone.contrast,
        "white_balance": white_balance,
        "multipliers": [float(m) for m in made.white],
    }
