"""From directions to the pixels of a wide frame and back: projection, distortion, pose."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

PROJECTIONS = ("rectilinear", "equidistant", "equisolid", "stereographic")
# Radius over focal length for an angle from the axis, in radians: C. Hughes et al., "Accuracy of
# fish-eye lens models", Applied Optics 49 (2010) 3338, equations 1 to 4.
LAWS: dict[str, Callable[[Floats], Floats]] = {
    "rectilinear": np.tan,
    "equidistant": lambda t: t,
    "equisolid": lambda t: 2.0 * np.sin(t / 2.0),
    "stereographic": lambda t: 2.0 * np.tan(t / 2.0),
}
INVERSE: dict[str, Callable[[Floats], Floats]] = {
    "rectilinear": np.arctan,
    "equidistant": lambda g: g,
    "equisolid": lambda g: 2.0 * np.arcsin(np.clip(g / 2.0, -1.0, 1.0)),
    "stereographic": lambda g: 2.0 * np.arctan(g / 2.0),
}
WIDEST = {  # radians from the axis that a lens of the kind can show
    "rectilinear": np.radians(75.0),
    "equidistant": np.radians(115.0),
    "equisolid": np.radians(115.0),
    "stereographic": np.radians(115.0),
}


def enu(altitude: ArrayLike, azimuth: ArrayLike) -> Floats:
    """Return unit vectors (..., 3) east, north, up of directions in degrees."""
    h, a = np.broadcast_arrays(
        np.radians(np.asarray(altitude, float)), np.radians(np.asarray(azimuth, float))
    )
    return np.stack([np.cos(h) * np.sin(a), np.cos(h) * np.cos(a), np.sin(h)], axis=-1)


def altitude_azimuth(vector: Floats) -> tuple[Floats, Floats]:
    """Return altitude and azimuth, degrees, of vectors (..., 3) east, north, up."""
    level = np.hypot(vector[..., 0], vector[..., 1])
    altitude = np.degrees(np.arctan2(vector[..., 2], level))
    return altitude, np.degrees(np.arctan2(vector[..., 0], vector[..., 1])) % 360.0


@dataclass(frozen=True)
class Lens:
    """A lens on a sensor.

    Attributes
    ----------
    projection : str
        One of `PROJECTIONS`.
    focal_px : float
        Focal length in full raw pixels.
    distortion : float
        The radius is ``focal_px g (1 + distortion g^2)``, where g is the projection's law.
    centre : tuple of float
        Pixel (x, y) of the optical axis.
    """

    projection: str
    focal_px: float
    distortion: float
    centre: tuple[float, float]

    def radius(self, theta: Floats) -> Floats:
        """Return pixels from the axis for angles in radians."""
        g = LAWS[self.projection](np.minimum(theta, WIDEST[self.projection]))
        return np.asarray(self.focal_px * g * (1.0 + self.distortion * g**2))

    def theta(self, radius: Floats) -> Floats:
        """Return the angle from the axis, radians, for pixels; NaN where no light comes from."""
        wanted = np.asarray(radius, float) / self.focal_px
        widest = float(LAWS[self.projection](np.array(WIDEST[self.projection])))
        if self.distortion < 0.0:  # the law turns back there
            widest = min(widest, float(np.sqrt(-1.0 / (3.0 * self.distortion))))
        g = np.minimum(wanted, widest)
        for _ in range(12):  # Newton; converges in five for 10 % of distortion
            error = g * (1.0 + self.distortion * g**2) - wanted
            g = np.clip(g - error / np.maximum(1.0 + 3.0 * self.distortion * g**2, 0.05), 0, widest)
        reached = np.abs(g * (1.0 + self.distortion * g**2) - wanted) < 1e-6 + 1e-6 * wanted
        return np.where(reached, INVERSE[self.projection](g), np.nan)

    def project(self, local: Floats) -> Floats:
        """Return pixels (..., 2) of directions (..., 3) right, down, ahead; NaN beyond the lens."""
        across = np.hypot(local[..., 0], local[..., 1])
        theta = np.arctan2(across, local[..., 2])
        unit = local[..., :2] / np.maximum(across, 1e-15)[..., None]
        pixel = np.asarray(self.centre) + self.radius(theta)[..., None] * unit
        return np.where((theta > WIDEST[self.projection])[..., None], np.nan, pixel)


@dataclass(frozen=True)
class Pose:
    """How the camera stands: right, down and ahead in east, north, up, as rows of ``axes``."""

    axes: Floats

    @classmethod
    def of(cls, altitude: float, azimuth: float, roll: float = 0.0) -> Pose:
        """Return the pose that looks somewhere; ``roll`` turns the camera clockwise, degrees."""
        ahead, level = enu(altitude, azimuth), enu(0.0, azimuth + 90.0)
        down = np.cross(ahead, level)
        c, s = np.cos(np.radians(roll)), np.sin(np.radians(roll))
        return cls(np.stack([c * level + s * down, c * down - s * level, ahead]))

    @property
    def altitude(self) -> float:
        """Altitude of the optical axis, degrees."""
        return float(altitude_azimuth(self.axes[2])[0])

    @property
    def azimuth(self) -> float:
        """Azimuth of the optical axis, degrees."""
        return float(altitude_azimuth(self.axes[2])[1])

    @property
    def roll(self) -> float:
        """Turn of the camera about its axis, degrees clockwise as seen from behind it."""
        level = enu(0.0, self.azimuth + 90.0)
        down = np.cross(self.axes[2], level)
        return float(np.degrees(np.arctan2(self.axes[0] @ down, self.axes[0] @ level)))

    def turned(self, rotation: Floats) -> Pose:
        """Return the pose after small turns (3,) about its own axes, radians."""
        angle = float(np.linalg.norm(rotation))
        if angle == 0.0:
            return self
        x, y, z = rotation / angle
        cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        turn = np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross
        return Pose(turn @ self.axes)


@dataclass(frozen=True)
class Camera:
    """A lens and how it stands: from directions to pixels and back."""

    lens: Lens
    pose: Pose

    def to_pixels(self, vector: Floats) -> Floats:
        """Return pixels (..., 2) of directions (..., 3) east, north, up; NaN beyond the lens."""
        return self.lens.project(vector @ self.pose.axes.T)

    def to_sky(self, pixel: Floats) -> Floats:
        """Return directions (..., 3) east, north, up of pixels (..., 2); NaN beyond the lens."""
        offset = np.asarray(pixel, float) - np.asarray(self.lens.centre)
        radius = np.hypot(offset[..., 0], offset[..., 1])
        theta = self.lens.theta(radius)
        unit = offset / np.maximum(radius, 1e-12)[..., None]
        local = np.stack(
            [np.sin(theta) * unit[..., 0], np.sin(theta) * unit[..., 1], np.cos(theta)], axis=-1
        )
        return np.asarray(local @ self.pose.axes)

    def scale_deg(self, vector: Floats) -> float:
        """Return degrees a pixel around a direction, the mean of both ways."""
        at = self.to_pixels(vector)
        steps = np.array([[1.0, 0.0], [0.0, 1.0]])
        there = self.to_sky(at + steps)
        apart = np.linalg.norm(there - vector, axis=-1)
        return float(np.degrees(np.mean(apart)))


def directions(camera: Camera, width: int, height: int, step: int = 1) -> tuple[Floats, Floats]:
    """Return altitude and azimuth, degrees, of the pixels of a frame, every ``step`` of them.

    Parameters
    ----------
    camera : Camera
    width, height : int
        Of the frame, raw pixels.
    step : int
        Pixels between neighbours of the result; the first is half a step inside.

    Returns
    -------
    altitude, azimuth : ndarray, shape (height // step, width // step)
        Refraction included, NaN beyond the lens' reach.
    """
    x = step * (np.arange(width // step) + 0.5) - 0.5
    y = step * (np.arange(height // step) + 0.5) - 0.5
    return altitude_azimuth(camera.to_sky(np.stack(np.meshgrid(x, y), axis=-1)))
