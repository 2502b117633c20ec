"""What is measured in one wide frame, in full raw pixels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.spots import Points, find_points, find_sun

Floats = NDArray[np.float64]
Planes = NDArray[np.float32]

SKY_QUANTILE = 0.8
DARK = 0.004  # of white: a frame whose sky is darker shows no landscape
SMALL_PX = 240  # longer side of the small picture that is kept of each frame


NO_POINTS = Points(*(np.zeros(0) for _ in range(5)))


@dataclass(frozen=True)
class Sun:
    """The Sun or the corona: place and error in raw pixels, light in ADU; see `SunSpot`."""

    x: float
    y: float
    sigma: float
    radius: float
    flux: float
    clipped: bool


@dataclass(frozen=True)
class Seen:
    """One frame as measured.

    Attributes
    ----------
    width, height : int
        Raw pixels.
    sun : Sun or None
    points : Points
        In raw pixels.
    dark : bool
        Whether it shows no landscape: behind a solar filter, or exposed for the inner corona.
    level : float
        Of the sky: a high quantile of the green, ADU above black.
    white : float
        Range of the sensor, ADU.
    small : ndarray of float32, shape (3, h, w)
        The frame in small, ADU above black; NaN where overexposed.
    small_factor : int
        Raw pixels to one of these.
    factor : int
        Raw pixels to a bin of the planes in which points were measured.
    """

    width: int
    height: int
    sun: Sun | None
    points: Points
    dark: bool
    level: float
    white: float
    small: Planes
    small_factor: int
    factor: int = 1


def see(
    planes: Planes,
    factor: int,
    white: float,
    width: int,
    height: int,
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> Seen:
    """Measure a frame.

    Parameters
    ----------
    planes : ndarray of float32, shape (3, h, w)
        R, G, B in bins of ``factor`` raw pixels, ADU above black; NaN where saturated.
    factor : int
    white : float
        Range above black.
    width, height : int
        Of the whole frame, raw pixels.
    balance : tuple of float
        White balance for daylight, green 1, of the small picture.
    """
    green = planes[1]
    # Of a fisheye's picture more than half may be land, or beyond its circle.
    level = float(np.quantile(np.where(np.isnan(green), white, green), SKY_QUANTILE))
    dark = level < DARK * white
    spot = find_sun(green, white)
    points = NO_POINTS if dark else find_points(green, white, spot)
    at = 0.5 * (factor - 1)
    sun = None
    if spot is not None:
        # An overexposed Sun is as round as its glow and the clouds leave it.
        radius = float(np.sqrt(spot.area / np.pi))
        sigma = 0.15 + 0.1 * radius if spot.clipped else 0.06
        x, y = factor * spot.x + at, factor * spot.y + at
        sun = Sun(x, y, factor * sigma, factor * radius, spot.flux, spot.clipped)
    raw = Points(
        factor * points.x + at,
        factor * points.y + at,
        factor * points.sigma,
        points.flux,
        points.significance,
    )
    times = max(1, -(-max(green.shape) // SMALL_PX))
    h, w = (n // times * times for n in green.shape)
    small = planes[:, :h, :w].reshape(3, h // times, times, w // times, times).mean(axis=(2, 4))
    small = small * np.array(balance)[:, None, None]
    return Seen(
        width,
        height,
        sun,
        raw,
        dark,
        level,
        white,
        small.astype(np.float32),
        factor * times,
        factor,
    )
