"""Merges of several bodies whose corona, noise and place are known.

The corona is that of the second simulator (`tests.apart.corona`), drawn point by point, blurred by
a Gaussian and sampled; nothing of `limbward.radiance.join` is in it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

import numpy as np
from scipy.ndimage import gaussian_filter

from limbward.geometry.grid import Grid
from limbward.radiance.join.part import Part
from tests.apart.corona import Corona

RATE = 1e10  # counts a second of the mean solar disc
SKY = 1.2e-9
SUN_ARCSEC = 950.0
FINE = 2  # points a pixel that are drawn


@cache
def corona(seed: int = 3) -> Corona:
    return Corona(seed)


@dataclass(frozen=True)
class Lens:
    """A body: its picture's size, scale and turn, and what is wrong with it."""

    width: int = 480
    height: int = 340
    scale: float = 14.0  # arcsec a pixel, as it is
    up: float = 20.0
    mirrored: bool = False  # the merge has undone it
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    offset: float = 0.0  # of light scattered in the lens, mean solar discs
    shift: tuple[float, float] = (0.0, 0.0)  # pixels by which the Sun is off what is claimed
    claimed_scale: float = 0.0  # relative error of the scale
    claimed_turn: float = 0.0  # degrees
    radial: float = 0.0
    blur_px: float = 0.8
    noise: float = 0.01  # of the radiance at 2 solar radii, one pixel
    noise_px: float = 0.7  # the Gaussian by which white noise was smoothed
    moon: float = 1.06  # solar radii that are missing
    frames: int = 10
    axis: tuple[float, float] | None = None
    made: dict = field(default_factory=dict, compare=False)

    @property
    def grid(self) -> Grid:
        scale, up = self.scale * (1 + self.claimed_scale), self.up + self.claimed_turn
        return Grid(self.width, self.height, scale, up)

    def places(self, fine: int):
        """Solar radii east and north of points, ``fine`` to a pixel, as the lens drew them."""
        y, x = ((np.arange(n * fine) + 0.5) / fine - 0.5 for n in (self.height, self.width))
        x, y = np.meshgrid(x, y)
        grid = self.grid
        ax, ay = self.axis or ((self.width - 1) / 2, (self.height - 1) / 2)
        corner = np.hypot(self.width, self.height) / 2
        dx, dy = x - ax, y - ay
        seen = np.hypot(dx, dy)
        true = seen.copy()
        for _ in range(12):
            true = seen / (1 + self.radial * true**2 / corner**2)
        shrink = np.where(seen > 0, true / np.maximum(seen, 1e-9), 1.0)
        x, y = ax + dx * shrink, ay + dy * shrink
        x = x - grid.sun_x - self.shift[0]
        y = y - grid.sun_y - self.shift[1]
        turn = np.radians(self.up)
        left, up = -x * self.scale, -y * self.scale
        east = left * np.cos(turn) + up * np.sin(turn)
        north = -left * np.sin(turn) + up * np.cos(turn)
        return east / SUN_ARCSEC, north / SUN_ARCSEC

    def light(self, blur_px: float | None = None) -> np.ndarray:
        """(3, h, w) counts a second without noise."""
        key = (blur_px,)
        if key not in self.made:
            east, north = self.places(FINE)
            rho, angle = np.hypot(east, north), np.arctan2(east, north)
            drawn = corona().radiance(rho, angle) + SKY
            blur = self.blur_px if blur_px is None else blur_px
            drawn = gaussian_filter(drawn, blur * FINE, mode="nearest")
            drawn = drawn.reshape(self.height, FINE, self.width, FINE).mean((1, 3))
            self.made[key] = drawn
        out = self.made[key] + self.offset
        return np.stack([g * out * RATE for g in self.gain]).astype(np.float32)

    def part(self, rng: np.random.Generator, name: str = "a") -> Part:
        light = self.light()
        east, north = self.places(1)
        rho = np.hypot(east, north)
        level = light[:, np.abs(rho - 2.0) < 0.05].mean(axis=1).reshape(3, 1, 1)
        # Photons: the noise grows as the root of the light.
        sigma = (self.noise * np.sqrt(level * light)).astype(np.float32)
        white = rng.standard_normal(light.shape)
        smooth = np.stack([gaussian_filter(w, self.noise_px, mode="wrap") for w in white])
        smooth *= np.sqrt(4 * np.pi) * self.noise_px
        value = light + (smooth * sigma).astype(np.float32)
        hole = rho < self.moon
        for plane in (value, sigma):
            plane[:, hole] = np.nan
        count = np.where(hole, 0, self.frames).astype(np.uint16)
        axis = self.axis or ((self.width - 1) / 2, (self.height - 1) / 2)
        return Part(
            name, self.grid, value, sigma, count,
            np.full(3, 4 * np.pi * self.noise_px**2), axis,
            float(np.hypot(self.width, self.height) / 2),
        )  # fmt: skip
