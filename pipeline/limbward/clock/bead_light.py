"""What the photosphere shows around the Moon's limb near second and third contact."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy import integrate

from limbward.geometry.disc import RIM_BINS as BINS
from limbward.limb.darkening import GREEN, limb_darkening
from limbward.limb.rim import LOOKS
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

KEPT = 4  # of the lights last asked for: those of two contacts, with and without a fading edge
DEEPEST = 12.0  # arcsec of the Sun beyond the Moon's limb; no contact frame shows more


@dataclass(frozen=True)
class Edges:
    """The Moon's limb before the Sun's, about an instant.

    Attributes
    ----------
    track : SkyTrack
    position_angle : ndarray, shape (P,)
        Degrees, rising, without refraction.
    height_arcsec : ndarray, shape (P,)
        Of the Moon's limb above the track's mean limb.
    sun_ratio : float
        The Sun's radius over the track's.
    """

    track: SkyTrack
    position_angle: Floats
    height_arcsec: Floats
    sun_ratio: float = 1.0
    _kept: dict[tuple[float, ...], Floats] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def turned(self, degrees: float) -> Edges:
        """Return a Moon with this one's mountains at other position angles: none that there is."""
        return replace(self, height_arcsec=self._height(self.position_angle - degrees))

    def reversed(self) -> Edges:
        """Return a Moon whose mountains run the other way around."""
        return replace(self, height_arcsec=self._height(-self.position_angle))

    def smooth(self) -> Edges:
        """Return a Moon without mountains."""
        mean = float(self.height_arcsec.mean())
        return replace(self, height_arcsec=np.full_like(self.height_arcsec, mean))

    def _height(self, position_angle: Floats) -> Floats:
        return np.interp(position_angle, self.position_angle, self.height_arcsec, period=360.0)

    def moon_arcsec(self, t: Floats) -> Floats:
        """Return the Moon's mean radius (T,), which grows or shrinks by 0.04 arcsec a minute."""
        return self.track.moon_radius_arcsec(t) / self._shrunk(t)

    def sun_arcsec(self, t: Floats) -> Floats:
        """Return the Sun's radius (T,)."""
        return self.sun_ratio * self.track.sun_radius_arcsec(t) / self._shrunk(t)

    def _shrunk(self, t: Floats) -> Floats:
        """Return what refraction has made of radii."""
        return np.asarray(np.sqrt(np.linalg.det(self.track.refraction(t))))

    def gap_arcsec(self, t: Floats) -> Floats:
        """Return how far the Sun's limb lies beyond the Moon's, shape (T, LOOKS * BINS).

        Parameters
        ----------
        t : ndarray, shape (T,)
            Seconds from the track's epoch.

        Returns
        -------
        ndarray
            Arcsec, at the middles of even steps of position angle from north through east as
            refraction leaves them.
        """
        bend = self.track.refraction(np.mean(t, keepdims=True))[0]
        seen = (np.arange(LOOKS * BINS) + 0.5) * (2.0 * np.pi / (LOOKS * BINS))
        east, north = np.linalg.solve(bend, np.stack([np.sin(seen), np.cos(seen)]))
        size = np.hypot(east, north)
        towards = np.stack([east, north]) / size
        height = self._height(np.degrees(np.arctan2(east, north)) % 360.0)
        offset = np.linalg.solve(bend, self.track.offset_arcsec(t).T).T
        along = offset @ towards
        inside = (self.sun_arcsec(t) ** 2 - np.sum(offset**2, axis=1))[:, None] + along**2
        reach = np.sqrt(np.maximum(inside, 0.0)) - along
        return np.asarray(reach - self.moon_arcsec(t)[:, None] - height)

    def closing_arcsec_s(self, t: float) -> float:
        """Return how fast the Moon's limb and the Sun's pass each other at a contact at ``t``."""
        apart = np.hypot(*self.track.offset_arcsec(np.array([t - 1.0, t + 1.0])).T)
        return float(abs(apart[1] - apart[0])) / 2.0

    def light(self, t: Floats, fade_arcsec: float = 0.0) -> Floats:
        """Return the photosphere's light around the Moon's limb, shape (T, BINS).

        Parameters
        ----------
        t : ndarray, shape (T,)
            Evenly spaced.
        fade_arcsec : float
            Over which brightness falls to 1/e outside the Sun's limb; 0 for a sharp edge.

        Returns
        -------
        ndarray
            What is seen along the radius in each bin, times arcsec, in units of the brightness of
            the Sun's middle.

        References
        ----------
        H. Neckel, D. Labs, Solar Physics 153 (1994) 91, of which the last 2 arcsec are an
        extrapolation: from the limb inwards brightness begins at 0.3 of the middle's.
        """
        asked = (float(t[0]), float(t[-1]), t.size, fade_arcsec)
        if asked not in self._kept:
            while len(self._kept) >= KEPT:
                self._kept.pop(next(iter(self._kept)))
            self._kept[asked] = self._light(t, fade_arcsec)
        return self._kept[asked]

    def _light(self, t: Floats, fade_arcsec: float) -> Floats:
        depth, amount = _through(float(np.mean(self.sun_arcsec(t))))
        gap = self.gap_arcsec(t)
        light = np.interp(gap, depth, amount)
        if fade_arcsec > 0.0:
            beyond = GREEN[0] * fade_arcsec
            light += beyond * np.exp(np.minimum(gap, 0.0) / fade_arcsec)
        return light.reshape(t.size, BINS, LOOKS).mean(axis=2)


def _through(sun_arcsec: float) -> tuple[Floats, Floats]:
    """Return depths inside the Sun's limb, arcsec, and the light from the limb to there."""
    depth = np.linspace(0.0, np.sqrt(DEEPEST), 241) ** 2
    mu = np.sqrt(1.0 - (1.0 - depth / sun_arcsec) ** 2)
    return depth, integrate.cumulative_trapezoid(limb_darkening(mu), depth, initial=0.0)
