"""One disc cut out of a frame: linear colours, shifted, turned and scaled in one interpolation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, spline_filter

from limbward.camera.frame import RawFrame
from limbward.camera.response import Response
from limbward.camera.same import read_same
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.geometry.orientation import Orientation
from limbward.radiance.scratch import let_go
from limbward.sequences.frame_box import FrameBox
from limbward.sequences.sampling import sample

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

SPLINE_MARGIN_PX = 12  # a cubic spline's edge effects fall by 0.27 a pixel
# Of a frame, the side of what is made into colours at a time, and half of the most that it becomes
# in the cut: 80 bytes a pixel of the one, 30 of the other, both with what is around. Pieces
# twice as wide took twice the time, since they do not stay in the processor's cache.
PIECE_PX = 256


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

    @staticmethod
    def blank(shape: tuple[int, ...]) -> Cut:
        """Return one of a shape (H, W), or a piece of one, to be written."""
        return Cut(np.empty((3, *shape), np.float32), np.empty(shape, bool), np.empty(shape, bool))

    @property
    def arrays(self) -> tuple[NDArray[Any], ...]:
        """Its arrays, those that are known."""
        parts = self.picture, self.clipped, self.white
        return tuple(part for part in parts if part is not None)


def cut_file(
    path: Path,
    digest: str,
    centre: tuple[float, float],
    camera: Orientation,
    view: View,
    response: Response | None = None,
    lens: Lens = STRAIGHT,
    into: Cut | None = None,
) -> Cut:
    """Return a disc of the frame in a file, as `cut` does.

    Raises
    ------
    UnreadableFrame
        If it cannot be decoded, or its SHA-256 is not the digest (empty: not known).
    """
    return cut(read_same(path, digest, response), centre, camera, view, lens, into)


def cut(
    frame: RawFrame,
    centre: tuple[float, float],
    camera: Orientation,
    view: View,
    lens: Lens = STRAIGHT,
    into: Cut | None = None,
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
    into : Cut, optional
        To be written and returned; its pages are let go of where it lies on disk.

    Notes
    -----
    Only the part of the frame that is needed is made into colours, so that a disc costs the same
    in a frame of any size, and that a piece at a time. Where the view's pixels are larger than the
    frame's, the frame is smoothed first to what they can show.
    """
    step = view.scale_arcsec / camera.pixel_scale_arcsec
    reach = math.ceil(view.side * step / math.sqrt(2.0) + SPLINE_MARGIN_PX + 3.0 * step)
    reach = math.ceil(reach * (1.0 + 3.0 * abs(lens.growth)))
    box = FrameBox(frame, centre, reach)
    out = into or Cut.blank((view.side, view.side))
    arrays = out.arrays
    places = _Places(centre, camera, view, lens)
    blur = 0.45 * math.sqrt(max(step**2 - 1.0, 0.0))
    blur = blur if blur > 0.1 else 0.0
    margin = SPLINE_MARGIN_PX + 4 + math.ceil(4.0 * blur)
    size = max(16, int(PIECE_PX / max(places.spread, 0.5)))
    for top in range(0, view.side, size):
        for left in range(0, view.side, size):
            rows, columns = (slice(a, min(a + size, view.side)) for a in (top, left))
            xs, ys = places.of(rows, columns)
            piece = _around(xs, ys, box, margin)
            if piece is None:
                for array in arrays:
                    array[..., rows, columns] = 0
                continue
            colours, masks = box.colours(*piece)
            for plane in colours:
                smooth = gaussian_filter(plane, blur) if blur else plane
                spline_filter(smooth, order=3, output=plane, mode="mirror")
            found = Cut.blank(xs.shape)
            origin = box.left + piece[1], box.top + piece[0]
            last = frame.width - 1, frame.height - 1
            sample(xs, ys, origin, last, colours, masks, *found.arrays)
            for array, part in zip(arrays, found.arrays, strict=True):
                array[..., rows, columns] = part
                let_go(array)
    return out


def _around(xs: Floats, ys: Floats, box: FrameBox, margin: int) -> tuple[int, int, int, int] | None:
    """Return top, left, height and width of the piece of a box with places and so much around them.

    None if nothing of it is in the frame. A lens keeps what is on the rim of a piece there.
    """
    if box.empty:
        return None
    span = []
    for places, first, size in ((ys, box.top, box.height), (xs, box.left, box.width)):
        rim = places[0], places[-1], places[:, 0], places[:, -1]
        low = max(math.floor(min(float(r.min()) for r in rim)) - margin - first, 0)
        high = min(math.ceil(max(float(r.max()) for r in rim)) + margin + 1 - first, size)
        if high - low < 2:
            return None
        span.append((low, high - low))
    (top, height), (left, width) = span
    return top, left, height, width


class _Places:
    """Where a view's pixels lie in a frame.

    Parameters
    ----------
    centre : (float, float)
        Of the view, as it is drawn in the frame.
    camera : Orientation
    view : View
    lens : Lens
    """

    def __init__(
        self, centre: tuple[float, float], camera: Orientation, view: View, lens: Lens
    ) -> None:
        east, north = view.orientation.to_sky(np.array([1.0, 0.0]), np.array([0.0, 1.0]))
        # Columns: what a step right, and a step down, is in the frame without distortion.
        self._across = np.stack(camera.to_pixels(east, north))
        middle = np.array([float(v) for v in lens.straight(*centre)])
        self._start = middle - self._across @ np.array([view.centre, view.centre])
        self._lens = lens
        self.spread = float(np.abs(self._across).sum(axis=1).max())  # pixels for a side of one

    def of(self, rows: slice, columns: slice) -> tuple[Floats, Floats]:
        """Return x and y of some rows and columns of the view."""
        y = np.arange(rows.start, rows.stop, dtype=float)[:, None]
        x = np.arange(columns.start, columns.stop, dtype=float)
        xs, ys = (a * x + b * y + c for (a, b), c in zip(self._across, self._start, strict=True))
        return self._lens.bent(xs, ys) if self._lens.bends else (xs, ys)
