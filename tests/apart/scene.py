"""What the lens is given: radiance of Sun, Moon and corona on a grid of pixels, not blurred."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from .corona import Corona, MoonLimb, darkening, disc_mean
from .pose import View

LINE = 1000.0  # by which prominences stand out against the disc in the line


@dataclass
class Scene:
    """The heavens of one session."""

    corona: Corona
    moon: MoonLimb
    solar_north: float  # position angle, degrees
    spots: list[tuple[float, float, float, float]] = field(default_factory=list)  # x, y, size, dark
    line: bool = False  # a filter of half an angstrom at hydrogen-alpha
    excess: float = 0.0  # by what part the Sun is larger there

    def __post_init__(self) -> None:
        self._means = [disc_mean(c) for c in range(3)]
        # Darkening by the square of the radius, as a table.
        q = np.linspace(0, 1, 4096)
        self._law = [
            (darkening(np.sqrt(1 - q), c) / self._means[c]).astype(np.float32) for c in range(3)
        ]

    def planes(
        self, view: View, x: np.ndarray, y: np.ndarray, colours=(0, 1, 2), step: float = 1.0
    ) -> list[np.ndarray]:
        """Radiance of each colour at a row of x and a column of y, ``step`` px apart.

        Limbs cover their pixels by parts; where both cross one pixel the visible part of the
        photosphere is the difference of the covers, which is right for limbs along each other.
        """
        east, north = view.scene(x, y)
        px = view.scale * step
        rs, rm = view.sun_arcsec, view.moon_arcsec
        full = rs * (1 + self.excess)
        r = np.hypot(east, north)
        me, mn = east - np.float32(view.moon_offset[0]), north - np.float32(view.moon_offset[1])
        rm_here = np.hypot(me, mn)
        depth = rm - rm_here
        if self.moon.rms:
            near = np.abs(depth) < self.moon.highest + px
            depth[near] += self.moon.height(np.arctan2(me[near], mn[near]))
        covered = np.clip(depth / px + 0.5, 0, 1)
        out = []
        corona = np.zeros_like(r)
        open_sky = covered < 1
        rho = r[open_sky] / np.float32(rs)
        angle = np.arctan2(east[open_sky], north[open_sky]) - np.radians(self.solar_north)
        if not self.line:  # of the corona's light next to nothing passes
            corona[open_sky] = self.corona.radiance(rho, angle)
        disc = covered > 0
        shine = self.moon.disc(me[disc] / rm, mn[disc] / rm) * covered[disc]
        sun = np.clip((full - r) / px + 0.5, 0, 1)
        visible = np.clip(sun - covered, 0, 1)
        bright = visible > 0
        inner = np.clip(r[bright] - px * (1 - sun[bright]) / 2, 0, full * (1 - 1e-5)) / full
        spots = self._spots(east[bright] / rs, north[bright] / rs)
        flat = np.flatnonzero(open_sky.ravel())[rho < 1.15]
        low_r, low_a = rho[rho < 1.15], angle[rho < 1.15]
        for c in colours:
            plane = corona.copy()
            if len(flat):
                glow = self.corona.prominences(low_r, low_a, 0 if self.line else c)
                # As bright as some hundredths of the disc, as prominences are in the line; the
                # chromosphere is the disc's own edge there.
                plane.ravel()[flat] += np.minimum(LINE * glow, 0.1) if self.line else glow
            plane *= 1 - covered
            plane[disc] += shine
            index = np.minimum((inner**2 * 4095).astype(int), 4095)
            plane[bright] += visible[bright] * self._law[c][index] * spots
            out.append(plane)
        return out

    def _spots(self, x, y):
        dark = np.ones_like(x)
        for sx, sy, size, depth in self.spots:
            d2 = (x - sx) ** 2 + (y - sy) ** 2
            dark *= 1 - depth * (0.4 * (d2 < (2 * size) ** 2) + 0.6 * (d2 < size**2))
        return dark

    def photosphere(self, view: View) -> float:
        """Height of the Sun's limb above the Moon's where it is greatest, arcseconds."""
        angle = np.linspace(0, 2 * np.pi, 7200, endpoint=False)
        rs = view.sun_arcsec * (1 + self.excess)
        e, n = rs * np.sin(angle), rs * np.cos(angle)
        me, mn = e - view.moon_offset[0], n - view.moon_offset[1]
        limb = view.moon_arcsec + self.moon.height(np.arctan2(me, mn))
        return float(np.max(np.hypot(me, mn) - limb))
