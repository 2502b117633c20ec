"""A corona whose radiance is known, and raw frames of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from limbward.camera.raw import RawFrame
from limbward.camera.reduce import reduce_frame
from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, frame_affine
from limbward.geometry.orientation import Orientation
from limbward.radiance.noise import NoiseModel
from limbward.radiance.registered import FrameView

RGGB = np.array([[0, 1], [1, 2]], np.int8)
COLOUR = np.array([0.55, 1.0, 0.7])  # of the corona in this camera
SKY = 2e-9  # brightness of the sky in that of the solar disc
RATE = 2.0e11  # ADU/s in green of the solar disc


def baumbach(rho):
    """Return the mean corona's brightness in that of the solar disc, at solar radii.

    S. Baumbach, Astron. Nachr. 263 (1937) 121: the law that the mean of ten eclipses follows.
    """
    r = np.maximum(rho, 1.0)
    return 0.0532e-6 / r**2.5 + 1.425e-6 / r**7 + 2.565e-6 / r**17


def radiance(dx, dy, sun_radius, turn=0.0):
    """Return ADU/s in R, G, B at offsets from the Sun's centre in pixels, not mirrored, up = U.

    The rays stand as the picture does; ``turn``, degrees clockwise, turns them.
    """
    rho = np.hypot(dx, dy) / sun_radius
    angle = np.arctan2(dx, -dy) - np.radians(turn)
    rays = (
        1.0 + 0.25 * np.cos(2 * angle) + 0.1 * np.cos(7 * angle + 2.0 * np.log(np.maximum(rho, 1)))
    )
    base = RATE * (baumbach(rho) * rays + SKY)
    return COLOUR.reshape((3,) + (1,) * np.ndim(dx)) * base


@dataclass
class Shot:
    exposure_s: float
    factor: float = 1.0
    sun_x: float = 0.0
    sun_y: float = 0.0
    moon_dx: float = 0.0
    moon_dy: float = 0.0
    rotation_deg: float = 0.0
    offset: float = 0.0


@dataclass
class Scene:
    width: int
    height: int
    sun_radius: float
    moon_ratio: float = 1.03
    pattern: np.ndarray = None
    mirrored: bool = False
    gain: float = 0.25
    read: float = 2.0
    black: float = 512.0
    white: float = 16000.0
    up: float = 25.0
    noisy: bool = True
    turn: float = 0.0

    def __post_init__(self):
        if self.pattern is None:
            self.pattern = RGGB
        self.camera = Orientation(960.0 / self.sun_radius, self.up, self.mirrored)
        self.grid = Grid(self.width, self.height, self.camera.pixel_scale_arcsec, self.up)
        self.noise = NoiseModel(self.gain, self.read)

    def affine(self, shot):
        return frame_affine(self.grid, shot.sun_x, shot.sun_y, self.camera, shot.rotation_deg)

    def moon(self, shot):
        return Disc(
            shot.sun_x + shot.moon_dx, shot.sun_y + shot.moon_dy, self.sun_radius * self.moon_ratio
        )

    def seen(self):
        """Return where the lens sees what it draws at each pixel, (y, x)."""
        return np.indices((self.height, self.width), dtype=float)

    def frame(self, shot, rng, vignette=None):
        y, x = self.seen()
        back = np.linalg.inv(self.affine(shot)[:, :2])
        fx, fy = x - shot.sun_x, y - shot.sun_y
        light = radiance(
            back[0, 0] * fx + back[0, 1] * fy,
            back[1, 0] * fx + back[1, 1] * fy,
            self.sun_radius,
            self.turn,
        )
        moon = self.moon(shot)
        light = light * (np.hypot(x - moon.x, y - moon.y) > moon.radius)
        if self.pattern.size == 0:
            signal = light
        else:
            th, tw = self.pattern.shape
            colour = self.pattern[np.indices(x.shape)[0] % th, np.indices(x.shape)[1] % tw]
            signal = np.take_along_axis(light, colour[None].astype(int), axis=0)[0]
        signal = signal * (shot.exposure_s * shot.factor) + shot.offset
        if vignette is not None:
            signal = signal * vignette
        if self.noisy:
            electrons = rng.poisson(np.maximum(signal, 0) / self.gain)
            signal = electrons * self.gain + rng.normal(0, self.read, signal.shape)
        dn = np.clip(np.rint(signal + self.black), 0, self.white).astype(np.uint16)
        shape = self.pattern.shape if self.pattern.size else (3,)
        return RawFrame(
            data=dn,
            pattern=self.pattern,
            black=np.full(shape, self.black, np.float32),
            white=self.white,
            daylight=np.ones(3, np.float32),
            to_srgb=np.eye(3, dtype=np.float32),
        )

    def view(self, shot, raw, long_side=384):
        reduced = reduce_frame(raw, long_side)
        return FrameView(
            planes=reduced.planes,
            factor=reduced.factor,
            affine=self.affine(shot),
            exposure_s=shot.exposure_s,
            sun=Disc(shot.sun_x, shot.sun_y, self.sun_radius),
            moon=self.moon(shot),
            ceiling=0.9 * (self.white - self.black),
            noise=self.noise,
        )

    def truth(self):
        y, x = np.indices((self.height, self.width), dtype=float)
        return radiance(x - self.grid.sun_x, y - self.grid.sun_y, self.sun_radius, self.turn)

    def rho(self):
        y, x = np.indices((self.height, self.width), dtype=float)
        return np.hypot(x - self.grid.sun_x, y - self.grid.sun_y) / self.sun_radius
