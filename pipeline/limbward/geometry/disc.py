"""Discs in a picture: the Sun's, the Moon's, and both in a picture that is filtered."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.float32]

RIM_BINS = 1800  # of 0.2 degrees, in which the light along the Moon's limb is kept


@dataclass(frozen=True)
class Disc:
    """A disc in a picture: centre and radius, pixels, x right and y down."""

    x: float
    y: float
    radius: float


@dataclass(frozen=True)
class MeasuredDisc(Disc):
    """A disc that was fitted; ``sigma`` is the standard error of its centre in each coordinate."""

    sigma: float


@dataclass(frozen=True)
class Geometry:
    """Sun and Moon in pixels, x right and y down from the centre of the top-left pixel.

    Attributes
    ----------
    sun_x, sun_y, sun_radius_px : float
    moon_x, moon_y, moon_radius_px : float, optional
        The Moon at greatest eclipse. Without them only missing pixels (NaN) are left out.
    up_position_angle : float
        Position angle of the picture's upward direction, degrees from celestial north through
        east.
    """

    sun_x: float
    sun_y: float
    sun_radius_px: float
    moon_x: float | None = None
    moon_y: float | None = None
    moon_radius_px: float | None = None
    up_position_angle: float = 0.0

    @property
    def sun(self) -> Disc:
        """The Sun's disc, pixels."""
        return Disc(self.sun_x, self.sun_y, self.sun_radius_px)

    def distance(self, height: int, width: int) -> Pixels:
        """Return the distance of every pixel from the Sun's centre, pixels, shape (H, W)."""
        dx = np.arange(width, dtype=np.float32) - np.float32(self.sun_x)
        dy = np.arange(height, dtype=np.float32) - np.float32(self.sun_y)
        return np.hypot(dx[None, :], dy[:, None])

    def visible(self, height: int, width: int) -> NDArray[np.bool_]:
        """Return where the Moon at greatest eclipse leaves the sky free, shape (H, W)."""
        if self.moon_x is None or self.moon_y is None or self.moon_radius_px is None:
            return np.ones((height, width), bool)
        dx = np.arange(width, dtype=np.float32) - np.float32(self.moon_x)
        dy = np.arange(height, dtype=np.float32) - np.float32(self.moon_y)
        out = np.empty((height, width), bool)
        for row, along in zip(out, dy**2, strict=True):  # the squares of all would take 4 bytes
            np.greater(dx**2 + along, self.moon_radius_px**2, out=row)
        return out
