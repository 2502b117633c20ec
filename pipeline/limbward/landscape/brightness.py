"""How bright the sky is: over a frame, through totality, and along the horizon."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.landscape.lens import Camera, altitude_azimuth, enu
from limbward.landscape.seen import Seen
from limbward.landscape.session import Frame, Session
from limbward.landscape.solved import Solved

Floats = NDArray[np.float64]

HIGH_DEG = 10.0  # of altitude: the sky above it is one curve
LOW_DEG = (1.5, 6.0)  # of altitude: the band along the horizon
AWAY_DEG = 8.0  # from the Sun: its glow and the corona are no sky
LEAST_PX = 20  # of the small picture, for a median to be told
STEP_DEG = 0.5  # of azimuth, in the strip
LEAST_FRAMES = 5  # that show the sky, for a curve or a strip
ROWS = 240  # of the strip


@dataclass(frozen=True)
class SkyCurve:
    """The sky's brightness in N frames, in order of time.

    Attributes
    ----------
    t : ndarray, shape (N,)
        Seconds from greatest eclipse.
    high, low : ndarray, shape (N,)
        As of `SkyLevel`: magnitudes a square arcsecond if calibrated, else of the brightest.
    surface : ndarray, shape (h, w), or None
        Magnitudes a square arcsecond over the frame nearest to greatest eclipse, if calibrated.
    calibrated : bool
    """

    t: Floats
    high: Floats
    low: Floats
    surface: Floats | None
    calibrated: bool

    def darkest(self) -> dict[str, str]:
        """Return how dark it became, in words for the report; nothing if not known."""
        if not np.isfinite(self.high).any():
            return {}
        if self.calibrated:
            return {"darkest": f"{float(np.nanmax(self.high)):.1f} magnitudes per square arcsecond"}
        return {"darkest": f"{float(np.nanmin(self.high)):.1e} of the brightest"}


@dataclass(frozen=True)
class Strip:
    """The horizon against time: azimuths (A,), seconds (R,), colours (R, 3, A), and its frames."""

    azimuth: Floats
    t: Floats
    colours: Floats
    frames: int


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


def frames_of_sky(solved: Solved) -> list[int]:
    """Return the frames that show the sky at a known time, in order of time."""
    shows = solved.placed & np.isfinite(solved.since_s) & ~solved.dark
    return [int(k) for k in np.argsort(solved.since_s) if shows[k]]


def levels_of(solved: Solved, rows: Sequence[int]) -> list[SkyLevel]:
    """Return the sky's brightness in some frames."""
    return [
        sky_levels(
            solved.frames[k].seen, solved.frames[k].light, solved.session.camera(k), solved.sun(k)
        )
        for k in rows
    ]


def zero_points(frames: Sequence[Frame], session: Session) -> float:
    """Return the magnitude of one ADU over exposure and sensitivity; NaN if no star is named."""
    found = [
        names.zero_point - 2.5 * np.log10(frame.light)
        for frame, names in zip(frames, session.names, strict=True)
        if len(names.named) >= 2
    ]
    return float(np.median(found)) if found else float("nan")


def sky_curve(solved: Solved, rows: list[int]) -> SkyCurve:
    """Return the sky's brightness through some frames, in magnitudes if a star tells them."""
    levels = levels_of(solved, rows)
    high, low = np.array([v.high for v in levels]), np.array([v.low for v in levels])
    zero, t = zero_points(solved.frames, solved.session), solved.since_s[rows]
    if not np.isfinite(zero):
        top = np.nanmax(np.concatenate([high, low]))
        return SkyCurve(t, high / top, low / top, None, False)
    k = min(rows, key=lambda i: abs(solved.since_s[i]))
    frame, camera = solved.frames[k], solved.session.camera(k)
    high, low = (surface_magnitudes(v, frame.seen, camera, zero) for v in (high, low))
    surface = magnitude_map(frame.seen, frame.light, camera, zero)
    return SkyCurve(t, high, low, surface, True)


def horizon_strip(solved: Solved, rows: list[int]) -> Strip | None:
    """Return the horizon through some frames of one tripod, None if they are too few."""
    mask = np.zeros(len(solved.frames), bool)
    mask[rows] = True
    stand = solved.stand_of_most(mask)
    rows = [k for k in rows if solved.session.stand[k] == stand]
    azimuth = solved.session.fit.poses[stand].azimuth + np.arange(-180.0, 180.0, STEP_DEG)
    lines = [
        along_horizon(
            solved.frames[k].seen, solved.frames[k].light, solved.session.camera(k), azimuth
        )
        for k in rows
    ]
    shown = np.asarray(np.isfinite(np.stack(lines)).any(axis=(0, 1)))
    if len(rows) < LEAST_FRAMES or not shown.any():
        return None
    part = slice(int(np.argmax(shown)), shown.size - int(np.argmax(shown[::-1])))
    times, strip = even_rows(solved.since_s[rows], [v[:, part] for v in lines], ROWS)
    return Strip(azimuth[part], times, strip, len(rows))


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
