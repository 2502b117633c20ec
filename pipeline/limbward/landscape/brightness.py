"""How bright the sky is: over a frame, through totality, and along the horizon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.lens import Camera, altitude_azimuth, enu
from limbward.landscape.seen import Seen

Floats = NDArray[np.float64]

HIGH_DEG = 10.0  # of altitude: the sky above it is one curve
LOW_DEG = (1.5, 6.0)  # of altitude: the band along the horizon
AWAY_DEG = 8.0  # from the Sun: its glow and the corona are no sky
LEAST_PX = 20  # of the small picture, for a median to be told
STEP_DEG = 0.5  # of azimuth, in the strip


@dataclass(frozen=True)
class SkyLevel:
    """Brightness of the sky in a frame, ADU above black over exposure and sensitivity.

    ``high`` is the median above 10 degrees, ``low`` that of the band along the horizon; NaN where
    the frame does not show it.
    """

    high: float
    low: float


def sky_levels(seen: Seen, light: float, camera: Camera, sun: Floats) -> SkyLevel:
    """Return how bright the sky is in a frame that shows it.

    Parameters
    ----------
    seen : Seen
    light : float
        Exposure times sensitivity.
    camera : Camera
    sun : ndarray, shape (3,)
        Its direction.
    """
    green = seen.small[1].astype(float)
    altitude, _, away = _directions(seen, camera, sun)
    with np.errstate(invalid="ignore"):
        fair = np.isfinite(green) & (away > AWAY_DEG)
        high = fair & (altitude > HIGH_DEG)
        low = fair & (altitude > LOW_DEG[0]) & (altitude < LOW_DEG[1])
    return SkyLevel(_median(green, high) / light, _median(green, low) / light)


def magnitude_map(seen: Seen, light: float, camera: Camera, zero_point: float) -> Floats:
    """Return the sky's brightness over a frame, magnitudes a square arcsecond.

    Parameters
    ----------
    seen, light, camera
        As for `sky_levels`.
    zero_point : float
        Magnitude of one ADU over exposure and sensitivity, summed over bins.
    """
    altitude, _, _ = _directions(seen, camera, np.array([0.0, 0.0, 1.0]))
    green = np.where(altitude > LOW_DEG[0], seen.small[1], np.nan)
    return surface_magnitudes(green / light, seen, camera, zero_point)


def surface_magnitudes(level: Floats, seen: Seen, camera: Camera, zero_point: float) -> Floats:
    """Return levels, ADU over exposure and sensitivity, as magnitudes a square arcsecond."""
    # Points were measured as sums over bins, of which each is this large in the frame's middle.
    area = (3600.0 * seen.factor * camera.scale_deg(camera.pose.axes[2])) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        found = zero_point - 2.5 * np.log10(level / area)
    return np.where(np.isfinite(found), found, np.nan)


def along_horizon(seen: Seen, light: float, camera: Camera, azimuth: Floats) -> Floats:
    """Return the colours of the sky low above the horizon, shape (3, A), over exposure.

    Parameters
    ----------
    seen, light, camera
        As for `sky_levels`.
    azimuth : ndarray, shape (A,)
        Degrees; NaN is returned where the frame does not reach.
    """
    altitude = np.linspace(*LOW_DEG, 7)
    pixel = camera.to_pixels(enu(altitude[:, None], azimuth[None, :]))
    index = np.rint((pixel + 0.5) / seen.small_factor - 0.5)
    h, w = seen.small.shape[1:]
    with np.errstate(invalid="ignore"):
        inside = (index >= 0).all(axis=-1) & (index[..., 0] < w) & (index[..., 1] < h)
    i = np.where(inside, index[..., 1], 0).astype(int)
    j = np.where(inside, index[..., 0], 0).astype(int)
    # An overexposed place is at least as bright as white.
    value = np.nan_to_num(seen.small, nan=seen.white)[:, i, j] / light
    value = np.where(inside, value, np.nan)
    count = inside.sum(axis=0)
    total = np.nansum(value, axis=1)
    return np.where(count > 3, total / np.maximum(count, 1), np.nan)


def even_rows(t: Floats, rows: Sequence[Floats], count: int) -> tuple[Floats, Floats]:
    """Return rows at even steps of time, each the nearest frame's.

    Parameters
    ----------
    t : ndarray, shape (N,)
        Seconds, increasing.
    rows : sequence of ndarray, shape (3, A)
    count : int
        Rows of the result.

    Returns
    -------
    times : ndarray, shape (count,)
    strip : ndarray, shape (count, 3, A)
        NaN in pauses longer than four usual ones.
    """
    times = np.linspace(t[0], t[-1], count)
    nearest = np.abs(times[:, None] - t[None, :]).argmin(axis=1)
    usual = float(np.median(np.diff(t))) if t.size > 1 else 1.0
    far = np.abs(times - t[nearest]) > max(2.0 * usual, 1.0)
    strip = np.stack([rows[k] for k in nearest])
    strip[far] = np.nan
    return times, strip


def _directions(seen: Seen, camera: Camera, sun: Floats) -> tuple[Floats, Floats, Floats]:
    """Return altitude, azimuth and distance from the Sun of the small picture's pixels, degrees."""
    h, w = seen.small.shape[1:]
    x = seen.small_factor * (np.arange(w) + 0.5) - 0.5
    y = seen.small_factor * (np.arange(h) + 0.5) - 0.5
    vector = camera.to_sky(np.stack(np.meshgrid(x, y), axis=-1))
    away = np.degrees(np.arccos(np.clip(vector @ sun, -1.0, 1.0)))
    return *altitude_azimuth(vector), away


def _median(values: Floats, where: NDArray[np.bool_]) -> float:
    return float(np.median(values[where])) if where.sum() >= LEAST_PX else float("nan")
