"""One disc cut out of a frame: linear colours, shifted, turned and scaled in one interpolation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform, gaussian_filter, map_coordinates, spline_filter

from limbward.camera.clipping import saturated_from
from limbward.camera.frame import GREEN, RawFrame
from limbward.camera.mosaic import interpolated, laid_out
from limbward.camera.response import Response
from limbward.camera.same import read_same
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.geometry.orientation import Orientation
from limbward.sequences.rows import row_offsets

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

# A sensor may end below the white level that its files state; its numbers pile up there.
HIGH, PILE, LEAST_PILE = 0.85, 0.01, 4
SPLINE_MARGIN_PX = 12  # a cubic spline's edge effects fall by 0.27 a pixel


@dataclass(frozen=True)
class View:
    """How a cut lies on the sky: square, with a disc's centre at the centre of its pixels.

    Attributes
    ----------
    side : int
        Pixels.
    scale_arcsec : float
        Arcsec a pixel.
    up_position_angle : float
        Of the upward direction, degrees from celestial north through east.
    """

    side: int
    scale_arcsec: float
    up_position_angle: float

    @property
    def centre(self) -> float:
        """Coordinate of the centre, in x and in y."""
        return (self.side - 1) / 2.0

    @property
    def orientation(self) -> Orientation:
        """The mapping from sky to cut; never mirrored."""
        return Orientation(self.scale_arcsec, self.up_position_angle)


@dataclass(frozen=True)
class Cut:
    """A disc as a `View` shows it.

    Attributes
    ----------
    picture : ndarray of float32, shape (3, S, S)
        Linear sRGB, 1 where the sensor's range ends in white light; 0 beyond the frame.
    clipped : ndarray of bool, shape (S, S)
        Where the sensor was saturated.
    white : ndarray of bool, shape (S, S), optional
        Where it was so in green, as sunlight makes it and faint prominences do not; None where
        that is not known.
    """

    picture: Pixels
    clipped: NDArray[np.bool_]
    white: NDArray[np.bool_] | None = None


def cut_file(
    path: Path,
    digest: str,
    centre: tuple[float, float],
    camera: Orientation,
    view: View,
    response: Response | None = None,
    lens: Lens = STRAIGHT,
) -> Cut:
    """Return a disc of the frame in a file, as `cut` does.

    Raises
    ------
    UnreadableFrame
        If it cannot be decoded, or its SHA-256 is not the digest (empty: not known).
    """
    return cut(read_same(path, digest, response), centre, camera, view, lens)


def cut(
    frame: RawFrame,
    centre: tuple[float, float],
    camera: Orientation,
    view: View,
    lens: Lens = STRAIGHT,
) -> Cut:
    """Return a disc of a frame as a view shows it.

    Parameters
    ----------
    frame : RawFrame
    centre : tuple of float
        Where the disc's centre is drawn (x, y), raw pixels.
    camera : Orientation
        Of the frame.
    view : View
    lens : Lens
        Whose distortion is taken out.

    Notes
    -----
    Only the part of the frame that is needed is made into colours, so that a disc costs the same
    in a frame of any size. Where the view's pixels are larger than the frame's, the frame is
    smoothed first to what they can show.
    """
    step = view.scale_arcsec / camera.pixel_scale_arcsec
    reach = math.ceil(view.side * step / math.sqrt(2.0) + SPLINE_MARGIN_PX + 3.0 * step)
    reach = math.ceil(reach * (1.0 + 3.0 * abs(lens.growth)))
    colours, clipped, origin = colour_box(frame, centre, reach)
    east, north = view.orientation.to_sky(np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    across = np.stack(camera.to_pixels(east, north))  # columns: a step right, a step down
    sampled = _Places(across, centre, origin, view, lens)
    blur = 0.45 * math.sqrt(max(step**2 - 1.0, 0.0))
    shape = (view.side, view.side)
    picture = np.empty((3, *shape), np.float32)
    for plane, into in zip(colours, picture, strict=True):
        smooth = gaussian_filter(plane, blur) if blur > 0.1 else plane
        spline = spline_filter(smooth, order=3, output=np.float32, mode="mirror")
        sampled.of(spline, into, 3)
    np.clip(picture, 0.0, None, out=picture)
    masks = []
    for part in clipped:
        hit = np.empty(shape, np.float32)
        sampled.of(part.astype(np.float32), hit, 1)
        masks.append(hit > 0.02)
    return Cut(picture, *masks)


class _Places:
    """Where a view's pixels lie in a box of a frame.

    Parameters
    ----------
    across : ndarray, shape (2, 2)
        Columns: what a step right, and a step down, is in the frame without distortion.
    centre : (float, float)
        Of the view, as it is drawn in the frame.
    origin : ndarray, shape (2,)
        Of the box.
    view : View
    lens : Lens
    """

    def __init__(
        self, across: Floats, centre: tuple[float, float], origin: Floats, view: View, lens: Lens
    ) -> None:
        middle = np.array([float(v) for v in lens.straight(*centre)])
        start = middle - across @ np.array([view.centre, view.centre])
        # scipy counts rows first.
        self._matrix, self._offset = across[::-1, ::-1], (start - origin)[::-1]
        self._bent: Floats | None = None
        if lens.bends:
            y, x = np.indices((view.side, view.side), dtype=float)
            at = np.tensordot(across, np.stack([x, y]), axes=1) + start[:, None, None]
            self._bent = (np.stack(lens.bent(*at)) - origin[:, None, None])[::-1]

    def of(self, plane: Pixels, into: Pixels, order: int) -> None:
        """Fill a square with what a plane, if by cubics its spline's coefficients, has there."""
        how = {"order": order, "mode": "constant", "prefilter": False}
        if self._bent is None:
            affine_transform(plane, self._matrix, self._offset, into.shape, into, **how)
        else:
            map_coordinates(plane, self._bent, into, **how)


def colour_box(
    frame: RawFrame, centre: tuple[float, float], reach: int
) -> tuple[Pixels, NDArray[np.bool_], Floats]:
    """Return a square box of a frame in linear sRGB.

    Parameters
    ----------
    frame : RawFrame
    centre : tuple of float
    reach : int
        Pixels from the centre to the sides.

    Returns
    -------
    colours : ndarray of float32, shape (3, h, w)
        White-balanced for daylight; 1 is the sensor's white level.
    clipped : ndarray of bool, shape (2, h, w)
        Saturated pixels, of any colour and of green.
    origin : ndarray
        Raw pixel (x, y) of the box's first pixel.
    """
    x0, y0 = (max(0, math.floor(c) - reach) for c in centre)
    x1 = min(frame.width, math.ceil(centre[0]) + reach + 1)
    y1 = min(frame.height, math.ceil(centre[1]) + reach + 1)
    origin = np.array([x0, y0], float)
    if x1 - x0 < 2 or y1 - y0 < 2:
        return np.zeros((3, 2, 2), np.float32), np.zeros((2, 2, 2), bool), origin
    raw = np.asarray(frame.data[..., y0:y1, x0:x1], np.float32)
    clipped = np.asarray(raw >= _saturated_from(raw, frame))
    green = clipped
    span = np.float32(frame.span)
    if frame.is_mosaic:
        pattern = laid_out(frame.pattern, y0, x0, raw.shape)
        green = clipped & (pattern == GREEN)
        level = (raw - laid_out(frame.black, y0, x0, raw.shape)) / span
        bayer = frame.pattern.shape == (2, 2)
        if bayer:
            level -= row_offsets(level)[:, None].astype(np.float32)
        colours = interpolated(level, pattern, 1 if bayer else 2)
    elif raw.ndim == 2:
        colours = np.repeat(((raw - frame.black.ravel()[0]) / span)[None], 3, axis=0)
    else:
        colours = (raw - frame.black[:, None, None]) / span
        green, clipped = clipped[1], np.asarray(clipped.any(axis=0))
    colours = np.nan_to_num(colours, copy=False)
    if frame.is_mosaic or raw.ndim == 3:
        # With the smallest multiplier 1, a clipped pixel is white in every colour at 1.
        balance = frame.daylight / frame.daylight.min()
        colours = np.minimum(colours * balance[:, None, None], np.float32(1.0))
        colours = np.tensordot(frame.to_srgb, colours, axes=1).astype(np.float32)
    return colours, np.stack([clipped, green]), origin


def _saturated_from(raw: Pixels, frame: RawFrame) -> float:
    """Return the number from which pixels of a box of a frame count as saturated.

    A bead saturates so few pixels that the whole frame shows no pile of them.
    """
    level = saturated_from(frame)
    top = float(np.nanmax(raw)) if np.isfinite(raw).any() else 0.0
    if HIGH * frame.white < top < level:
        at_top = np.count_nonzero(raw > (1.0 - PILE) * top)
        below = np.count_nonzero(raw > (1.0 - 2.0 * PILE) * top) - at_top
        if at_top >= LEAST_PILE and at_top >= 4 * below:
            return (1.0 - PILE) * top
    return level
