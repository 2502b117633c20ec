"""From the sky to the sensor: plate scale, rotation and mirroring."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Orientation:
    """How a camera maps offsets on the sky to offsets in pixels.

    Attributes
    ----------
    pixel_scale_arcsec : float
        Arcsec a pixel.
    up_position_angle : float
        Position angle of the image's upward direction (-y), degrees from north through east.
    mirrored : bool
        True if the image is a mirror image of the sky, as behind a star diagonal.
    """

    pixel_scale_arcsec: float
    up_position_angle: float
    mirrored: bool = False

    def to_pixels(self, east: ArrayLike, north: ArrayLike) -> tuple[Floats, Floats]:
        """Return (dx, dy) in pixels, x right and y down, for offsets in arcsec."""
        u = np.radians(self.up_position_angle)
        e, n = np.asarray(east, float), np.asarray(north, float)
        left = e * np.cos(u) - n * np.sin(u)
        up = e * np.sin(u) + n * np.cos(u)
        side = 1.0 if self.mirrored else -1.0
        return side * left / self.pixel_scale_arcsec, -up / self.pixel_scale_arcsec

    def to_sky(self, dx: ArrayLike, dy: ArrayLike) -> tuple[Floats, Floats]:
        """Return (east, north) in arcsec for offsets in pixels; the inverse of `to_pixels`."""
        u = np.radians(self.up_position_angle)
        side = 1.0 if self.mirrored else -1.0
        left = side * np.asarray(dx, float) * self.pixel_scale_arcsec
        up = -np.asarray(dy, float) * self.pixel_scale_arcsec
        return left * np.cos(u) + up * np.sin(u), -left * np.sin(u) + up * np.cos(u)

    def towards(self, position_angle: ArrayLike) -> tuple[Floats, Floats]:
        """Return the unit step (dx, dy), x right and y down, towards position angles in degrees."""
        a = np.radians(np.asarray(position_angle, float) - self.up_position_angle)
        side = 1.0 if self.mirrored else -1.0
        return np.asarray(side * np.sin(a)), np.asarray(-np.cos(a))

    def turned(self, degrees: float) -> Orientation:
        """Return the orientation after the field has turned, degrees of position angle."""
        return replace(self, up_position_angle=self.up_position_angle + degrees)

    def in_pixels(self, matrix: Floats) -> Floats:
        """Return a matrix for offsets (east, north), shape (2, 2), as one for offsets (x, y)."""
        columns = np.stack(self.to_pixels(np.array([1.0, 0.0]), np.array([0.0, 1.0])))
        return np.asarray(columns @ matrix @ np.linalg.inv(columns))
