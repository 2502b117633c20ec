"""What a camera's clock, plate scale and orientation make its crescents look like."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Crescents, Direct
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# Parameters: offset less the model's base (s), drift (s/h), logarithm of the scale over its start,
# up angle (deg), step less the model's jump (s) for the frames after it.
OFFSET, DRIFT, SCALE, UP, STEP = range(5)
DIFFERENCE = np.array([0.5, 0.1, 1e-5, 1e-2, 0.5])  # steps of the numerical derivatives
DRIFT_PRIOR = 20.0  # s/h (sigma); quartz clocks drift by under 1 s/h, bad ones by a few
# Standard deviations of what is known of each parameter beforehand: wide, but with them no
# parameter that the frames say nothing of makes the normal equations singular. Offset and step lie
# within seconds of the consensus; half the sizes of the discs tells the scale far better.
PRIOR = np.array([300.0, DRIFT_PRIOR, 0.1, 180.0, 300.0])
# The disc's size in pixels ties the plate scale, and with it the drift: a scale off by 1e-4
# shifts times by 1e-4 of their distance from greatest eclipse, 0.36 s an hour. Where the limb of a
# blurred, darkened disc lies is known to about this much, pixels, and alike in all frames.
RADIUS_SYSTEMATIC_PX = 0.03
EDGE_S = 120.0  # frames nearer than this to the track's ends are outside it


@dataclass(frozen=True)
class Model:
    """The geometry that parameters, shape (..., 5), predict for N crescents and M instants.

    ``base_s`` and ``jump_s`` are an offset and a step to which the parameters are relative: a
    clock whose battery died is off by 1e9 s, of which a fit should see nothing. ``sized`` are the
    frames whose discs tell the scale.
    """

    track: SkyTrack
    crescents: Crescents
    direct: Direct | None
    scale0: float
    mirrored: bool
    rotates: bool
    later: Mask
    base_s: float
    jump_s: float
    sized: Mask

    @cached_property
    def _reading_s(self) -> Floats:
        c = self.crescents
        return np.asarray(
            c.reading_s - self.base_s - self.jump_s * self.later + 0.5 * c.resolution_s
        )

    @cached_property
    def _zenith_at_epoch(self) -> Floats:
        return self.track.parallactic_angle(np.zeros(1))

    def unclipped_s(self, p: Floats) -> Floats:
        """Return true UTC in the middle of each exposure, (..., N)."""
        start = self._reading_s - p[..., OFFSET, None] - p[..., STEP, None] * self.later
        start = start / (1.0 + p[..., DRIFT, None] / 3600.0)
        return np.asarray(start + 0.5 * self.crescents.exposure_s)

    def inside(self, p: Floats) -> Mask:
        """Return which frames were taken within hours of the eclipse, (N,), for parameters (5,)."""
        t = self.unclipped_s(p)
        return np.asarray((t > self.track.first_s + EDGE_S) & (t < self.track.last_s - EDGE_S))

    def middle_s(self, p: Floats) -> Floats:
        """Return `unclipped_s`, kept within the track."""
        return np.clip(self.unclipped_s(p), self.track.first_s, self.track.last_s)

    def to_pixels(self, p: Floats, t: Floats, sky: Floats) -> Floats:
        """Return vectors (..., N, 2) on the sky as the camera shows them, pixels."""
        u = np.radians(p[..., UP, None])
        if self.rotates:
            u = u + np.radians(self.track.parallactic_angle(t) - self._zenith_at_epoch)
        scale = self.scale0 * np.exp(p[..., SCALE, None])
        east, north = sky[..., 0], sky[..., 1]
        side = 1.0 if self.mirrored else -1.0
        left = (east * np.cos(u) - north * np.sin(u)) / scale
        up = (east * np.sin(u) + north * np.cos(u)) / scale
        return np.stack([side * left, -up], axis=-1)

    def miss_px(self, p: Floats) -> Floats:
        """Return measured less predicted vectors, (..., N, 2)."""
        t = self.middle_s(p)
        predicted = self.to_pixels(p, t, self.track.offset_arcsec(t))
        return np.stack([self.crescents.dx, self.crescents.dy], axis=-1) - predicted

    def velocity_px_s(self, p: Floats) -> Floats:
        """Return the Moon's velocity against the Sun, (..., N, 2)."""
        t = self.middle_s(p)
        sky = (self.track.offset_arcsec(t + 1.0) - self.track.offset_arcsec(t - 1.0)) / 2.0
        return self.to_pixels(p, t, sky)

    def sigma_px(self, p: Floats) -> Floats:
        """Return each vector's standard error with the reading's coarseness in it, (N,).

        The coarseness acts along the Moon's path; used for both components it makes least squares
        a little too careful across the path, where it decides only scale and orientation.
        """
        speed = np.hypot(*self.velocity_px_s(p).T)
        along = speed * self.crescents.resolution_s / np.sqrt(12.0)
        return np.asarray(np.hypot(self.crescents.sigma_px, along))

    @cached_property
    def _size_start(self) -> float:
        # At the base's times: refraction changes the Sun's size by 1e-4 over hours, nothing over
        # what a parameter moves. The median over frames, so that no bad disc pulls the scale.
        radius = self.crescents.sun_radius_px[self.sized]
        sun = self.track.sun_radius_arcsec(self.middle_s(np.zeros(5)))[self.sized]
        return float(np.median(np.log(radius * self.scale0 / sun)))

    @cached_property
    def scale_sigma(self) -> float:
        """Relative standard error of the scale by the discs' sizes."""
        c = self.crescents
        radius, sigma = c.sun_radius_px[self.sized], c.sun_radius_sigma_px[self.sized]
        by_frames = 1.0 / np.sum((radius / sigma) ** 2)
        return float(np.sqrt(by_frames + (RADIUS_SYSTEMATIC_PX / np.median(radius)) ** 2))

    def scale_miss(self, p: Floats) -> Floats:
        """Return how far the discs' sizes put the scale from ``p``, in sigmas, (...)."""
        return np.asarray((self._size_start + p[..., SCALE]) / self.scale_sigma)

    def direct_miss_s(self, p: Floats) -> Floats:
        """Return reading less clock for instants known directly, seconds, (..., M)."""
        d = self.direct
        if d is None:
            return np.zeros((*p.shape[:-1], 0))
        raw = d.reading_s + 0.5 * d.resolution_s - d.since_greatest_s - self.base_s
        later = np.zeros(d.order.size, bool)
        if self.later.any():
            later = d.order >= self.crescents.order[self.later].min()
        clock = p[..., OFFSET, None] + p[..., DRIFT, None] * d.since_greatest_s / 3600.0
        return np.asarray(raw - clock - (self.jump_s + p[..., STEP, None]) * later)

    def linearised(self, p: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return misses and their derivatives at parameters (5,).

        Returns
        -------
        miss, vectors : ndarray, shapes (N, 2), (N, 2, 5)
            `miss_px` and its derivative.
        direct, instants : ndarray, shapes (M,), (M, 5)
            `direct_miss_s` and its derivative.
        """
        steps = np.diag(DIFFERENCE)
        points = np.concatenate([p + steps, p - steps, p[None]])
        miss, direct = self.miss_px(points), self.direct_miss_s(points)
        twice = 2.0 * DIFFERENCE
        vectors = np.moveaxis(miss[:5] - miss[5:10], 0, -1) / twice
        instants = np.moveaxis(direct[:5] - direct[5:10], 0, -1) / twice
        return miss[10], vectors, direct[10], instants
