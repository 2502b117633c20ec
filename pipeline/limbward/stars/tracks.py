"""Points that several frames show in the same place of the sky."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

DRIFT_ARCSEC_S = 0.045  # the Sun's way among the stars, 2.7 arcsec a minute at most
REACH_PX = 1.5  # by which points of one star may be apart in two frames
MOST = 60  # tracks
FEW = 2  # frames: with so few, what one shows counts if it is as strong as
LONE = 8.0  # standard deviations
LEAST_SHARE = 0.2  # of the frames must show a point
FIXED = 0.5  # of the scatter on the sky: what scatters so little on the sensor is a hot pixel
CLEAR_OF_MOON = 1.5  # lunar radii: nearer in, the corona's own structure looks like points


@dataclass(frozen=True)
class Frames:
    """N frames of totality of one body that were searched for points.

    Attributes
    ----------
    points : sequence of ndarray
        Of each frame, as `limbward.stars.points.find_points` returns them.
    sun : ndarray of complex, shape (N,)
        The Sun's centre, x + iy, pixels.
    moon : ndarray of complex, shape (N,)
    moon_radius : ndarray, shape (N,)
    turn : ndarray, shape (N,)
        How far the picture has turned since the epoch, from x towards y, radians.
    time_s : ndarray, shape (N,)
        Middle of the exposure from the epoch.
    light_s : ndarray, shape (N,)
        Exposure at a common ISO and f-number.
    width, height : int
        Pixels.
    """

    points: Sequence[Floats]
    sun: Complex
    moon: Complex
    moon_radius: Floats
    turn: Floats
    time_s: Floats
    light_s: Floats
    width: int
    height: int

    @property
    def middle(self) -> complex:
        """The lens' axis, taken to be in the frame's middle, x + iy."""
        return complex((self.width - 1) / 2.0, (self.height - 1) / 2.0)

    @property
    def corner_px(self) -> float:
        """From the middle to a corner."""
        return float(np.hypot(self.width, self.height) / 2.0)


@dataclass(frozen=True)
class Tracks:
    """K points of the sky, the strongest first.

    Attributes
    ----------
    place : ndarray of complex, shape (K,)
        From the Sun, as the picture stood at the epoch, pixels.
    magnitude : ndarray, shape (K,)
        Of one ADU of signal a second.
    snr : ndarray, shape (K,)
        All frames together.
    count : ndarray of int, shape (K,)
        Frames.
    """

    place: Complex
    magnitude: Floats
    snr: Floats
    count: NDArray[np.int64]


def tracks_of(frames: Frames, scale_arcsec: float) -> Tracks:
    """Return what several frames show in the same place.

    Parameters
    ----------
    frames : Frames
    scale_arcsec : float
        Arcsec a pixel.
    """
    n = len(frames.points)
    index, sensor, place, snr, flux = [], [], [], [], []
    for k, points in enumerate(frames.points):
        at = points[:, 0] + 1j * points[:, 1]
        far = np.abs(at - frames.moon[k]) > CLEAR_OF_MOON * frames.moon_radius[k]
        place.append((at[far] - frames.sun[k]) * np.exp(-1j * frames.turn[k]))
        sensor.append(at[far])
        index.append(np.full(int(far.sum()), k))
        snr.append(points[far, 3] / points[far, 4])
        flux.append(points[far, 3] / frames.light_s[k])
    frame, where, raw = (np.concatenate(v) for v in (index, place, sensor))
    strength, light = np.concatenate(snr), np.concatenate(flux)
    free = np.ones(frame.size, bool)
    found = []
    for i in np.argsort(-strength, kind="stable"):
        if not free[i]:
            continue
        apart = np.abs(where - where[i])
        elapsed = np.abs(frames.time_s[frame] - frames.time_s[frame[i]])
        near = free & (apart < REACH_PX + DRIFT_ARCSEC_S * elapsed / scale_arcsec)
        mine = [int(i)]
        for k in np.unique(frame[near]):
            if k != frame[i]:
                there = np.flatnonzero(near & (frame == k))
                mine.append(int(there[np.argmin(apart[there])]))
        free[mine] = False
        total = float(np.sqrt(np.sum(strength[mine] ** 2)))
        if len(mine) < max(2, LEAST_SHARE * n) and not (n <= FEW and total > LONE):
            continue
        if len(mine) > FEW and _spread(raw[mine]) < FIXED * _spread(where[mine]):
            continue
        weight = strength[mine] ** 2
        found.append(
            (
                np.average(where[mine], weights=weight),
                -2.5 * np.log10(np.average(light[mine], weights=weight)),
                total,
                len(mine),
            )
        )
    found.sort(key=lambda f: -f[2])
    found = found[:MOST]
    return Tracks(
        np.array([f[0] for f in found], complex),
        np.array([f[1] for f in found], float),
        np.array([f[2] for f in found], float),
        np.array([f[3] for f in found], int),
    )


def _spread(places: Complex) -> float:
    return float(np.mean(np.abs(places - places.mean()) ** 2))
