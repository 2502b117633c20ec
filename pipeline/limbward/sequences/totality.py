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

FADE = 0.45  # of the way to the edge
MOON_ARCSEC = 1030.0  # radius of the largest Moon, with a little corona


@dataclass(frozen=True)
class Totality:
    """The composite, encoded sRGB, what is up in it, and where the Sun is, pixels (x, y)."""

    picture: Pixels
    scale_arcsec: float
    up_position_angle: float
    solar_north: float
    zenith: float
    clock: str
    sun: tuple[float, float]

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
        start = np.array(self.sun) - across @ np.full(2, (side - 1) / 2.0)
        blur = 0.45 * math.sqrt(max(step**2 - 1.0, 0.0))
        out = np.empty((3, side, side), np.float32)
        for plane, into in zip(self.picture, out, strict=True):
            smooth = gaussian_filter(plane, blur) if blur > 0.1 else plane
            affine_transform(
                smooth, across[::-1, ::-1], start[::-1], into.shape, into, order=1, cval=0.0
            )
        c = np.arange(side) - (side - 1) / 2.0
        out *= _faded(np.hypot(c[:, None], c), side / 2.0, FADE)
        # No further than the composite itself reaches, or its straight edges would show. One that
        # reaches little further than the Moon to one side only fades late, and only there.
        x, y = np.meshgrid(c, c)
        for along, size, sun in zip(across, (columns, rows), self.sun, strict=True):
            away = along[0] * x + along[1] * y
            for beyond, reach in ((-away, sun + 0.5), (away, size - 0.5 - sun)):
                part = 1.0 - MOON_ARCSEC / max(reach * self.scale_arcsec, MOON_ARCSEC)
                out *= _faded(beyond, reach, min(max(part, 0.04), FADE))
        return out


def _faded(away: NDArray[np.float64], limit: float, part: float) -> Pixels:
    """Return what is left at a distance: nothing at the limit, all before the last part of it."""
    left = np.clip((1.0 - away / limit) / part, 0.0, 1.0)
    return (left * left * (3 - 2 * left)).astype(np.float32)
