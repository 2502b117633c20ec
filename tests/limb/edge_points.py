"""Edge points of crescents as a camera would have them measured, for any limb of the Moon."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from limbward.geometry.orientation import Orientation
from limbward.limb.partial import Discs
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.track import SkyTrack

CLEAR_PX = 3.0  # from the other limb: nearer points are not measured

Limbs = Callable[[int], tuple[np.ndarray, np.ndarray]]


def invented(rng: np.random.Generator) -> LimbProfile:
    """A limb of 0.8 arcsec rms with waves from 60 to 3 degrees, as random ones have."""
    k = np.arange(6, 120)
    angle = np.arange(3600) * 0.1
    phase = rng.uniform(0, 2 * np.pi, k.size)
    height = np.sum(np.cos(np.radians(angle)[:, None] * k + phase) / k, axis=1)
    return LimbProfile(angle, 0.8 * height / height.std())


def edge_points(
    track: SkyTrack,
    limb_at: Callable[[float], LimbProfile],
    times: np.ndarray,
    camera: Orientation,
    rng: np.random.Generator,
    *,
    rotates: bool = False,
    noise_px: float = 0.1,
    sun_size: float = 1.0,
    whole: bool = False,
) -> tuple[Discs, Limbs]:
    """Discs roughly measured and edge points half a degree apart, as the air flattens them.

    ``sun_size`` is the Sun's radius over the track's; ``whole`` keeps all of the Moon's limb.
    """
    points, rows = [], []
    scale = camera.pixel_scale_arcsec
    for t in times:
        at = np.array([t])
        turn = track.parallactic_angle(at) - track.parallactic_angle(np.zeros(1))
        seen = camera.turned(float(turn[0]) if rotates else 0.0)
        refraction = seen.in_pixels(track.refraction(at)[0])
        shrink = np.sqrt(np.linalg.det(refraction))
        moon = np.array(seen.to_pixels(*track.offset_arcsec(at)[0]))
        sun_r = track.sun_radius_arcsec(at)[0] / shrink * sun_size
        moon_r = track.moon_radius_arcsec(at)[0] / shrink
        a = np.radians(np.arange(0.0, 360.0, 0.5) + rng.uniform(0, 0.5))
        rough = moon_r + limb_at(float(t)).height(np.degrees(a))
        limbs = []
        for centre, radius in ((np.zeros(2), sun_r), (moon, rough)):
            dx, dy = seen.to_pixels(radius * np.sin(a), radius * np.cos(a))
            place = (refraction @ np.array([dx, dy])).T
            away = place / np.hypot(*place.T)[:, None]
            place = place + centre + away * rng.normal(0, noise_px, (a.size, 1))
            limbs.append(np.column_stack([place, np.full(a.size, noise_px)]))
        undone = np.linalg.inv(refraction)
        on_sun = np.hypot(*(undone @ limbs[1][:, :2].T)) < sun_r / scale - CLEAR_PX
        bare = np.hypot(*(undone @ (limbs[0][:, :2] - moon).T)) > moon_r / scale + CLEAR_PX
        points.append((limbs[0][bare], limbs[1] if whole else limbs[1][on_sun]))
        off = moon + rng.normal(0, 0.3, 2)
        rows.append((0.0, 0.0, sun_r * shrink / scale, 0.05, *off, moon_r * shrink / scale, 0.3))
    return Discs(np.arange(len(times)), *np.array(rows).T), lambda row: points[row]
