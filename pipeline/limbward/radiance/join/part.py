"""The merge of one body among several, and how it lies under the joint picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.grid import Grid, frame_affine
from limbward.radiance import taps
from limbward.radiance.kernels.resample import read_places

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]


@dataclass(frozen=True)
class Part:
    """What one body gives.

    Attributes
    ----------
    name : str
    grid : Grid
        Its own: its scale, turned as its camera stood.
    radiance, sigma : ndarray of float32, shape (3, h, w)
        As `limbward.radiance.merge.Merged` has them; may lie on disk.
    count : ndarray of uint16, shape (h, w)
    area : ndarray, shape (3,)
        Pixels over which the noise of R, G, B is correlated: that of the mean of many pixels is
        ``sigma * sqrt(area / number)``.
    axis : (float, float)
        Where the middle of the frames lies on the grid, pixels: the lens's axis.
    corner : float
        From there to a frame's corner, pixels.
    """

    name: str
    grid: Grid
    radiance: Pixels
    sigma: Pixels
    count: NDArray[np.uint16]
    area: Floats
    axis: tuple[float, float]
    corner: float


@dataclass(frozen=True)
class Tie:
    """How a body's merge lies on the first body's, and how bright it is against that.

    Attributes
    ----------
    gain, offset : ndarray, shape (3,)
        The first's radiance is ``gain * radiance + offset``.
    gain_sigma : ndarray, shape (3,)
        Standard errors of the gains.
    shift : ndarray, shape (2,)
        By how many of its pixels the picture lies further right and down than its Sun says.
    scale, turn_deg : float
        By how much of itself it is larger than its scale says, and turned further, clockwise in
        its pixels.
    scale_sigma : float
        Standard error of the first.
    radial : float
        By how much of itself the distance of a frame's corner from the middle is larger than
        without distortion; 0 where none shows.
    radial_sigma : float
        Standard error; infinite where there is nothing to tell it from.
    blur : float
        Variance of the blur that it has more than the first, pixels squared of the first.
    mismatch : float
        Relative root mean square by which the two differ at scales beyond the noise.
    """

    gain: Floats
    offset: Floats
    gain_sigma: Floats
    shift: Floats
    scale: float = 0.0
    turn_deg: float = 0.0
    radial: float = 0.0
    radial_sigma: float = np.inf
    blur: float = 0.0
    mismatch: float = 0.0
    scale_sigma: float = 0.0


NO_TIE = Tie(np.ones(3), np.zeros(3), np.zeros(3), np.zeros(2))


def affine_to(part: Part, grid: Grid, tie: Tie = NO_TIE) -> Floats:
    """Return the matrix (2, 3) from pixels of a grid to the part's, without its radial term."""
    own = part.grid
    plain = frame_affine(grid, own.sun_x, own.sun_y, own.orientation)
    turn = np.radians(tie.turn_deg)
    more = np.array([[tie.scale, -turn], [turn, tie.scale]])
    sun = np.array([own.sun_x, own.sun_y])
    linear = plain[:, :2] + more @ plain[:, :2]
    shift = plain[:, 2] + more @ (plain[:, 2] - sun) + tie.shift
    return np.column_stack([linear, shift])


def lens_of(part: Part, tie: Tie) -> Floats:
    """Return the part's axis and radial term for `read_places`."""
    return np.array([*part.axis, tie.radial / part.corner**2])


def reduced(part: Part, factor: int) -> Part:
    """Return a part with pixels ``factor`` times as large, means of blocks.

    What is left over at the right and bottom is cut off; a block with a gap is one.
    """
    if factor == 1:
        return part
    _, height, width = part.radiance.shape
    rows, columns = height // factor, width // factor

    def blocks(image: NDArray[Any]) -> Pixels:
        out = np.empty((*image.shape[:-2], rows, columns), np.float32)
        for row in range(rows):
            band = image[..., row * factor : (row + 1) * factor, : columns * factor]
            cells = band.astype(np.float32).reshape(*band.shape[:-1], columns, factor)
            out[..., row, :] = cells.mean(axis=(-3, -1))
        return out

    sigma = np.stack([np.sqrt(blocks(np.square(s))) for s in part.sigma])
    small = OffCentre(columns, rows, part.grid.scale_arcsec * factor, part.grid.up_position_angle)
    small = replace(
        small,
        at_x=(part.grid.sun_x + 0.5) / factor - 0.5,
        at_y=(part.grid.sun_y + 0.5) / factor - 0.5,
    )
    less = np.maximum(part.area / factor**2, 1.0)
    return Part(
        name=part.name,
        grid=small,
        radiance=blocks(part.radiance),
        sigma=np.asarray(sigma * np.sqrt(np.minimum(part.area / factor**2, 1.0))[:, None, None]),
        count=np.rint(blocks(part.count)).astype(np.uint16),
        area=less,
        axis=((part.axis[0] + 0.5) / factor - 0.5, (part.axis[1] + 0.5) / factor - 0.5),
        corner=part.corner / factor,
    )


@dataclass(frozen=True)
class OffCentre(Grid):
    """A grid whose Sun is at ``at_x``, ``at_y`` and not in its middle."""

    at_x: float = 0.0
    at_y: float = 0.0

    @property
    def sun_x(self) -> float:
        """Column of the Sun's centre."""
        return self.at_x

    @property
    def sun_y(self) -> float:
        """Row of the Sun's centre."""
        return self.at_y


def read_part(
    plane: NDArray[Any],
    part: Part,
    grid: Grid,
    tie: Tie,
    shape: tuple[int, int],
    top: float = 0.0,
    *,
    nearest: bool = False,
) -> Pixels:
    """Return rows of a plane of a part on another grid, as `read_places` does."""
    affine = affine_to(part, grid, tie)
    return read_places(plane, affine, lens_of(part, tie), shape, top, nearest=nearest)


def noise_area(pattern: NDArray[np.int8]) -> Floats:
    """Return over how many pixels the noise of a merge is correlated, in R, G, B.

    Parameters
    ----------
    pattern : ndarray of int8, shape (th, tw)
        The colour filter's tile, as `limbward.radiance.taps.build` takes it.

    Notes
    -----
    A pixel is a weighted mean of samples with variance ``power`` times theirs; a mean over many
    pixels uses each of the colour's samples alike, of which there is one in ``tile / n`` pixels.
    """
    made = taps.build(pattern)
    power = 1.0 / np.mean(1.0 / made.power.astype(np.float64), axis=(0, 1))
    if pattern.size <= 1:
        return np.asarray(1.0 / power)
    share = np.array([np.mean(pattern == c) for c in range(3)])
    return np.asarray(1.0 / (np.maximum(share, 1e-6) * power))
