"""Pictures on the merge's grid as they are shown: turned, cropped, small ones beside each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.disc import Disc
from limbward.picture.holes import without_holes
from limbward.picture.resampling import shrink
from limbward.radiance.scratch import Room, by_rows, let_go
from limbward.render.moon import inside
from limbward.render.preview import linear_picture, structure_picture
from limbward.render.rotate import turn_picture, turned_frame
from limbward.render.small import small_of

Pixels = NDArray[np.float32]
Mask = NDArray[np.bool_]

PANEL_PX = 1600
COVERED = 0.05  # solar radii beside the Moon, where a corona may be clipped in all frames


@dataclass(frozen=True)
class Turn:
    """How pictures on one grid are turned and cropped.

    Attributes
    ----------
    valid : ndarray of bool, shape (H, W)
        Where they show something.
    from_up, to_up : float
        Position angle of the upward direction, as it is and as it is wanted, degrees.
    half_px : float or None
        Pixels from the centre to the nearest edges to which they are cropped; None keeps the
        best rectangle that is valid, see `limbward.render.rotate.seen_reach`.
    """

    valid: Mask
    from_up: float
    to_up: float
    half_px: float | None = None

    @property
    def centre(self) -> tuple[float, float]:
        """Where the centre, the Sun, lies in pictures of the full size as shown, pixels (x, y)."""
        return turned_frame(self.valid, self.from_up, self.to_up, self.half_px).centre

    def __call__(self, picture: Pixels, factor: int = 1, room: Room = np.empty) -> Pixels:
        """Return a picture (C, H, W), made smaller ``factor`` times before, as it is shown."""
        valid, half = self.valid, self.half_px
        if factor != 1:
            valid = shrink(valid[None], factor=factor)[0][0] == 1.0
        size = None if half is None else half / factor
        return turn_picture(picture, valid, self.from_up, self.to_up, size, room)


def valid_area(radiance: Pixels, sun: Disc, moon: Disc) -> Mask:
    """Return where a corona shows something, the Moon's disc included.

    Parameters
    ----------
    radiance : ndarray of float32, shape (3, H, W)
        NaN where nothing was merged.
    sun, moon : Disc
    """
    valid = np.empty(radiance.shape[1:], bool)
    for rows in by_rows(len(valid), radiance):
        np.all(np.isfinite(radiance[:, rows]), axis=0, out=valid[rows])
    valid |= inside(valid.shape, Disc(moon.x, moon.y, moon.radius + COVERED * sun.radius))
    # An inner corona that is clipped in all frames is no edge of the picture.
    return without_holes(valid)


def source_panels(
    radiance: Pixels, structure: Pixels, moon: Disc, daylight: Pixels, to_srgb: Pixels, turn: Turn
) -> tuple[Pixels, Pixels]:
    """Return small pictures of what a composite is made of: the linear corona and the filtered one.

    Parameters
    ----------
    radiance : ndarray of float32, shape (3, H, W)
        In the camera's colours.
    structure : ndarray of float32, shape (H, W)
        Filtered.
    moon : Disc
        Black in the filtered one.
    daylight, to_srgb : ndarray, shape (3,) and (3, 3)
        Of `limbward.camera.colours.read_colours`.
    turn : Turn

    Returns
    -------
    tuple of ndarray of float32, shape (3, h, w)
        Encoded sRGB.
    """
    small, factor = small_of(radiance, PANEL_PX)
    linear = turn(linear_picture(small, daylight, to_srgb), factor)
    small = shrink(structure[None], factor=factor)[0]
    let_go(structure)
    dark = shrink(inside(structure.shape, moon)[None], factor=factor)[0][0] > 0.5
    return linear, turn(structure_picture(small, ~dark), factor)
