"""Frames of an eclipse that is simple: the Moon goes east before a Sun of 960 arcsec."""

from pathlib import Path

import numpy as np
from astropy.time import Time

from limbward.geometry.orientation import Orientation
from limbward.sequences.cut import Cut
from limbward.sequences.shots import Shots

SUN, MOON, SPEED = 960.0, 980.0, 0.5  # arcsec, arcsec a second


class Passing:
    """The Moon's centre goes through the Sun's at the epoch."""

    def __init__(self, moon=MOON):
        self.moon = moon

    def offset_arcsec(self, t):
        return np.stack([SPEED * np.asarray(t), np.zeros_like(t)], axis=-1)

    def sun_radius_arcsec(self, t):
        return np.full_like(t, SUN)

    def moon_radius_arcsec(self, t):
        return np.full_like(t, self.moon)


def shots(times, *, phase="partial", light=1.0, scale=10.0, up=0.0, mirrored=False, moon=MOON):
    """Return frames at some seconds from greatest eclipse, whose Sun is at (200, 150)."""
    t = np.asarray(times, float)
    n = t.size
    orientation = [Orientation(scale, up, mirrored)] * n
    dx, dy = orientation[0].to_pixels(SPEED * t, np.zeros(n))
    sun = np.tile([200.0, 150.0, SUN / scale], (n, 1))
    discs = np.column_stack([200.0 + dx, 150.0 + dy, np.full(n, moon / scale)])
    return Shots(
        camera="A",
        serial="1",
        epoch=Time("2026-08-12T17:46:00", scale="utc"),
        track=Passing(moon),
        file=np.array([f"{i}.dng" for i in range(n)], object),
        path=[Path(f"{i}.dng") for i in range(n)],
        digest=np.array([""] * n, object),
        response=[None] * n,
        phase=np.array([phase] * n if isinstance(phase, str) else phase, object),
        middle_s=t,
        sigma_s=np.full(n, 0.2),
        light=np.broadcast_to(np.asarray(light, float), n).copy(),
        sun=sun,
        moon=discs,
        orientation=orientation,
        solar_north=np.full(n, 17.0),
        zenith=np.linspace(-40.0, -30.0, n),
    )


def disc_cut(frames, i, view, gain=1.0):
    """Return what a view shows of the Sun with a dark limb, behind the Moon."""
    (sx, sy, sr), moon = frames.discs_in(i, view)
    y, x = np.indices((view.side, view.side))
    r = np.hypot(x - sx, y - sy) / sr
    light = np.where(r < 1, gain * (0.4 + 0.6 * np.sqrt(np.clip(1.0 - r**2, 0.0, 1.0))), 0.0)
    light[np.hypot(x - moon[0], y - moon[1]) < moon[2]] = 0.0
    return Cut(np.repeat(light[None], 3, axis=0).astype(np.float32), np.zeros(light.shape, bool))


def corona_cut(frames, i, view, gain=1.0):
    """Return a corona that falls with the cube of the distance."""
    y, x = np.indices((view.side, view.side)) - view.centre
    r = np.hypot(x, y) / frames.sun_radius_px(i, view.scale_arcsec)
    light = np.where(r > 1.02, gain / np.maximum(r, 1.0) ** 3, 0.0)
    return Cut(np.repeat(light[None], 3, axis=0).astype(np.float32), np.zeros(light.shape, bool))
