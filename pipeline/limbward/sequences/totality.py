"""A finished picture of totality among crescents: at their scale and turn, fading out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform, gaussian_filter

from limbward.geometry.orientation import Orientation
from limbward.sequences.shots import up_angles

Pixels = NDArray[np.float32]


@dataclass(frozen=True)
class Totality:
    """The composite, encoded sRGB and centred on the Sun, and what is up in it."""

    picture: Pixels
    scale_arcsec: float
    up_position_angle: float
    solar_north: float
    zenith: float
    clock: str

    def up(self, direction: str, camera: float) -> float:
        """Return the position angle of what is to be up; ``camera`` is that of the camera's."""
        return float(up_angles(direction, self.solar_north, self.zenith, camera))

    def shown(self, side: int, scale_arcsec: float, up: float) -> Pixels:
        """Return it at another scale and turn, fading out to a circle."""
        step = scale_arcsec / self.scale_arcsec
        view = Orientation(scale_arcsec, up)
        mine = Orientation(self.scale_arcsec, self.up_position_angle)
        across = np.stack(mine.to_pixels(*view.to_sky(np.array([1.0, 0.0]), np.array([0.0, 1.0]))))
        rows, columns = self.picture.shape[1:]
        middle = np.array([(columns - 1) / 2.0, (rows - 1) / 2.0])
        start = middle - across @ np.full(2, (side - 1) / 2.0)
        blur = 0.45 * math.sqrt(max(step**2 - 1.0, 0.0))
        out = np.empty((3, side, side), np.float32)
        for plane, into in zip(self.picture, out, strict=True):
            smooth = gaussian_filter(plane, blur) if blur > 0.1 else plane
            affine_transform(
                smooth, across[::-1, ::-1], start[::-1], into.shape, into, order=1, cval=0.0
            )
        c = np.arange(side) - (side - 1) / 2.0
        # No further than the composite itself reaches, or its straight edges would show.
        limit = min(side / 2.0, min(rows, columns) / 2.0 / step)
        fade = np.clip((1.0 - np.hypot(c[:, None], c) / limit) / 0.45, 0.0, 1.0)
        return out * (fade * fade * (3 - 2 * fade)).astype(np.float32)
