"""What a camera's clock, plate scale and orientation make its crescents look like."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Crescents, Direct
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Counts = NDArray[np.int64]

# Parameters: offset less the model's base (s), drift (s/h), logarithm of the scale over its start,
# up angle (deg), what the site lies north and east of where it is stated (km), relative error of
# refraction, what the field turns at greatest eclipse beside the mount's model and by what that
# changes in a radian of the Earth's turning (both deg/h), and for each later piece of the clock its
# offset less the first's and less the model's jump (s).
OFFSET, DRIFT, SCALE, UP, NORTH, EAST, AIR, TURN, BEND = range(9)
SITE = slice(NORTH, AIR)
DOUBTFUL = slice(NORTH, AIR + 1)  # what is not the camera's
PIECES = 9  # the first of the pieces' parameters
TURNING = slice(TURN, PIECES)
DRIFT_PRIOR = 20.0  # s/h (sigma), so wide that where frames tell a drift it is theirs
DRIFT_USUAL = 1.0  # s/h; quartz clocks drift by less, and the few that do not by anything
# A polar axis or a head's vertical that is a degree off turns the field by up to 0.26 deg/h. It
# does so as the sine of the hour angle, from wherever the axis is off to: over 75 minutes either
# side of greatest eclipse the part that is even in time reaches 0.05 degrees, which a turn at a
# steady rate leaves in the orientation (0.02 degrees of it, with an error stated of 0.006).
TURN_PRIOR = 0.2
EARTH_RAD_H = 2.0 * np.pi / 23.9345  # a sidereal day
# Steps of the numerical derivatives, and standard deviations of what is known of each parameter
# beforehand: wide, but with them no parameter that the frames say nothing of makes the normal
# equations singular. Offset and pieces lie within seconds of the consensus; half the sizes of the
# discs tells the scale far better. What is known of site and air is the doubt's to say.
DIFFERENCE = np.array([0.5, 0.1, 1e-5, 1e-2, 0.1, 0.1, 1e-2, 1e-2, 1e-2])
PRIOR = np.array([300.0, DRIFT_PRIOR, 0.1, 180.0, 1.0, 1.0, 1.0, TURN_PRIOR, TURN_PRIOR])
PIECE_DIFFERENCE, PIECE_PRIOR = 0.5, 300.0
# The disc's size in pixels ties the plate scale, and with it the drift: a scale off by 1e-4
# shifts times by 1e-4 of their distance from greatest eclipse, 0.36 s an hour. Where the limb of a
# blurred, darkened disc lies is known to about this much, pixels, and alike in all frames.
RADIUS_SYSTEMATIC_PX = 0.03
EDGE_S = 120.0  # frames nearer than this to the track's ends are outside it


@dataclass(frozen=True)
class Model:
    """The geometry that parameters, shape (..., P), predict for N crescents and M instants.

    ``base_s`` and ``jump_s`` are an offset, and the later pieces' offsets less the first's, to
    which the parameters are relative: a clock whose battery died is off by 1e9 s, of which a fit
    should see nothing. ``piece`` counts the pieces of the clock, 0 for the frames of the first.
    ``sized`` are the frames whose discs tell the scale; ``drift_prior`` is in s/h.
    """

    track: SkyTrack
    crescents: Crescents
    direct: Direct | None
    doubt: Doubt | None
    scale0: float
    mirrored: bool
    rotates: bool
    piece: Counts
    base_s: float
    jump_s: Floats
    sized: Mask
    drift_prior: float = DRIFT_PRIOR

    @property
    def parameters(self) -> int:
        """Number of parameters, P."""
        return PIECES + self.jump_s.size

    @cached_property
    def difference(self) -> Floats:
        """Steps of the numerical derivatives, (P,)."""
        return np.append(DIFFERENCE, np.full(self.jump_s.size, PIECE_DIFFERENCE))

    def prior(self, site_km: float) -> Floats:
        """Return what is known of each parameter beforehand, standard deviations, (P,)."""
        prior = np.append(PRIOR, np.full(self.jump_s.size, PIECE_PRIOR))
        prior[DRIFT] = self.drift_prior
        if self.doubt is not None:
            prior[SITE], prior[AIR] = site_km, self.doubt.air
        return prior

    @cached_property
    def begins(self) -> Floats:
        """Return the order of each later piece's first crescent."""
        order = self.crescents.order
        return np.array([order[self.piece == k + 1].min() for k in range(self.jump_s.size)])

    def _of_piece(self, p: Floats, piece: Counts) -> Floats:
        """Return the pieces' parameters, (..., N)."""
        first = np.zeros((*p.shape[:-1], 1))
        return np.concatenate([first, p[..., PIECES:]], axis=-1)[..., piece]

    @cached_property
    def _reading_s(self) -> Floats:
        c = self.crescents
        jump = np.append(0.0, self.jump_s)[self.piece]
        return np.asarray(c.reading_s - self.base_s - jump + 0.5 * c.resolution_s)

    @cached_property
    def _zenith_at_epoch(self) -> Floats:
        return self.track.parallactic_angle(np.zeros(1))

    def unclipped_s(self, p: Floats) -> Floats:
        """Return true UTC in the middle of each exposure, (..., N)."""
        start = self._reading_s - p[..., OFFSET, None] - self._of_piece(p, self.piece)
        start = start / (1.0 + p[..., DRIFT, None] / 3600.0)
        return np.asarray(start + 0.5 * self.crescents.exposure_s)

    def inside(self, p: Floats) -> Mask:
        """Return which frames were taken within hours of the eclipse, (N,), for parameters (P,)."""
        t = self.unclipped_s(p)
        return np.asarray((t > self.track.first_s + EDGE_S) & (t < self.track.last_s - EDGE_S))

    def middle_s(self, p: Floats) -> Floats:
        """Return `unclipped_s`, kept within the track."""
        return np.clip(self.unclipped_s(p), self.track.first_s, self.track.last_s)

    def to_pixels(self, p: Floats, t: Floats, sky: Floats) -> Floats:
        """Return vectors (..., N, 2) on the sky as the camera shows them, pixels."""
        u = np.radians(p[..., UP, None])
        if self.rotates:
            zenith = self.track.parallactic_angle(t) - self._zenith_at_epoch
            u = u + np.radians(zenith + self.crescents.turn_deg)
        hour = EARTH_RAD_H * t / 3600.0
        turned = p[..., TURN, None] * np.sin(hour) + p[..., BEND, None] * (1.0 - np.cos(hour))
        u = u + np.radians(turned / EARTH_RAD_H)
        scale = self.scale0 * np.exp(p[..., SCALE, None])
        east, north = sky[..., 0], sky[..., 1]
        side = 1.0 if self.mirrored else -1.0
        left = (east * np.cos(u) - north * np.sin(u)) / scale
        up = (east * np.sin(u) + north * np.cos(u)) / scale
        return np.stack([side * left, -up], axis=-1)

    def sky_arcsec(self, p: Floats, t: Floats) -> Floats:
        """Return the Moon's offset from the Sun at the site and through the air of ``p``."""
        sky = self.track.offset_arcsec(t)
        if self.doubt is None:
            return sky
        off = p[..., DOUBTFUL].copy()
        off[..., :2] -= self.doubt.centre_km
        return np.asarray(sky + np.einsum("...nij,...j->...ni", self.doubt.shift_arcsec(t), off))

    def miss_px(self, p: Floats) -> Floats:
        """Return measured less predicted vectors, (..., N, 2)."""
        t = self.middle_s(p)
        predicted = self.to_pixels(p, t, self.sky_arcsec(p, t))
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
        sun = self.track.sun_radius_arcsec(self.middle_s(np.zeros(self.parameters)))[self.sized]
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
        miss = self._size_start + p[..., SCALE]
        if self.doubt is not None:
            miss = miss - self._growth * p[..., AIR]
        return np.asarray(miss / self.scale_sigma)

    def scale_slope(self) -> Floats:
        """Return the derivative of `scale_miss`, (P,)."""
        slope = np.zeros(self.parameters)
        slope[SCALE] = 1.0
        if self.doubt is not None:
            slope[AIR] = -self._growth
        return slope / self.scale_sigma

    @cached_property
    def _growth(self) -> float:
        assert self.doubt is not None
        t = self.middle_s(np.zeros(self.parameters))[self.sized]
        return float(np.median(self.doubt.growth(t)))

    def direct_miss_s(self, p: Floats) -> Floats:
        """Return reading less clock for instants known directly, seconds, (..., M)."""
        d = self.direct
        if d is None:
            return np.zeros((*p.shape[:-1], 0))
        raw = d.reading_s + 0.5 * d.resolution_s - d.since_greatest_s - self.base_s
        piece = np.searchsorted(self.begins, d.order, side="right")
        clock = p[..., OFFSET, None] + p[..., DRIFT, None] * d.since_greatest_s / 3600.0
        jump = np.append(0.0, self.jump_s)[piece]
        return np.asarray(raw - clock - jump - self._of_piece(p, piece))

    def linearised(self, p: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return misses and their derivatives at parameters (P,).

        Returns
        -------
        miss, vectors : ndarray, shapes (N, 2), (N, 2, P)
            `miss_px` and its derivative.
        direct, instants : ndarray, shapes (M,), (M, P)
            `direct_miss_s` and its derivative.
        """
        n = self.parameters
        steps = np.diag(self.difference)
        points = np.concatenate([p + steps, p - steps, p[None]])
        miss, direct = self.miss_px(points), self.direct_miss_s(points)
        twice = 2.0 * self.difference
        vectors = np.moveaxis(miss[:n] - miss[n : 2 * n], 0, -1) / twice
        instants = np.moveaxis(direct[:n] - direct[n : 2 * n], 0, -1) / twice
        return miss[2 * n], vectors, direct[2 * n], instants
