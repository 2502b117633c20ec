"""A common grid in solar coordinates, and how a station's merge lies on it.

Lengths are solar radii as seen from the station, from the Sun's centre to solar west (to the
right) and north (up). All pictures are tangential projections at the Sun's centre, so one lies on
another by an affine map, without any further term.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray
from scipy import ndimage

from limbward.errors import LimbwardError
from limbward.geometry.angle import half_turn
from limbward.geometry.grid import Grid, Observer, world_header
from limbward.picture.binning import block_mean

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]


@dataclass(frozen=True)
class View:
    """The pixels of a square picture with solar north up.

    Attributes
    ----------
    side : int
        Pixels.
    step : float
        Solar radii a pixel.
    """

    side: int
    step: float

    @property
    def middle(self) -> float:
        """The Sun's centre, pixels from the first one's centre, in both directions."""
        return (self.side - 1) / 2.0

    def places(self, top: int = 0, bottom: int | None = None) -> tuple[Floats, Floats]:
        """Return how far rows from ``top`` to before ``bottom`` are west and north, (n, W)."""
        rows = np.arange(top, self.side if bottom is None else bottom, dtype=float)
        columns = np.arange(self.side, dtype=float)
        north, west = np.meshgrid(
            (self.middle - rows) * self.step, (columns - self.middle) * self.step, indexing="ij"
        )
        return west, north


def view_of(radii: float, step: float) -> View:
    """Return a grid that reaches ``radii`` from the Sun's centre, with a pixel on that centre."""
    return View(2 * int(np.ceil(radii / step)) + 1, step)


@dataclass(frozen=True)
class Placing:
    """How a station's own coordinates lie on the common ones.

    A feature at a place p of the common grid is at ``scale * turned(p) + (west, north)`` by the
    station's header.

    Attributes
    ----------
    west, north : float
        Solar radii.
    turn_deg : float
        Of the station's header against the common grid, in the sense of position angles.
    scale : float
    """

    west: float = 0.0
    north: float = 0.0
    turn_deg: float = 0.0
    scale: float = 1.0

    def matrix(self) -> Floats:
        """Return it as a matrix (2, 3) for columns (west, north, 1)."""
        t = np.radians(self.turn_deg)
        # Position angles grow from north to east, which is to the left: anticlockwise.
        turned = self.scale * np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
        return np.column_stack([turned, [self.west, self.north]])

    def then(self, inner: Placing) -> Placing:
        """Return the placing that applies ``inner`` first."""
        matrix = self.matrix()
        shift = matrix[:, :2] @ np.array([inner.west, inner.north]) + matrix[:, 2]
        turn = half_turn(self.turn_deg + inner.turn_deg)
        return Placing(float(shift[0]), float(shift[1]), turn, self.scale * inner.scale)

    def inverse(self) -> Placing:
        """Return the placing that undoes this one."""
        back = replace(self, west=0.0, north=0.0, turn_deg=-self.turn_deg, scale=1.0 / self.scale)
        shift = -back.matrix()[:, :2] @ np.array([self.west, self.north])
        return replace(back, west=float(shift[0]), north=float(shift[1]))


def picture_affine(header: Header) -> Floats:
    """Return the matrix (2, 3) from (west, north, 1) in solar radii to a merge's pixels (x, y).

    Parameters
    ----------
    header : Header
        Of a merge, as `limbward.geometry.grid.world_header` writes it; x and y count from the
        centre of the top-left pixel.

    Raises
    ------
    LimbwardError
        If the header has no world coordinates that make sense. North may be wrong in them.
    """
    try:
        if not str(header["CTYPE1"]).startswith("HPLN") or not str(header["CTYPE2"]).startswith(
            "HPLT"
        ):
            raise KeyError("CTYPE1")
        radius = float(header["RSUN_OBS"])
        scale = np.diag([float(header["CDELT1"]), float(header["CDELT2"])])
        pc = np.array([[float(header[f"PC{i}_{j}"]) for j in (1, 2)] for i in (1, 2)])
        middle = np.array([float(header["CRPIX1"]), float(header["CRPIX2"])])
        height = int(header["NAXIS2"])
        to_pixels = radius * np.linalg.inv(scale @ pc)
    except (KeyError, ValueError, TypeError, np.linalg.LinAlgError) as error:
        raise LimbwardError(
            f"The merge has no solar coordinates that can be used ({error})."
        ) from error
    x = np.append(to_pixels[0], middle[0] - 1.0)
    y = np.append(-to_pixels[1], height - middle[1])  # rows of the file count from the bottom
    return np.stack([x, y])


def pixel_radii(header: Header) -> float:
    """Return the size of a merge's pixel, solar radii."""
    return float(header["CDELT1"]) / float(header["RSUN_OBS"])


def sampled(
    plane: NDArray[Any],
    affine: Floats,
    view: View,
    placing: Placing = Placing(),
    *,
    rows: tuple[int, int] | None = None,
    first_row: int = 0,
) -> Pixels:
    """Return a station's plane on rows of the common grid, NaN where it has none.

    Linear between pixels, and NaN beside a NaN.

    Parameters
    ----------
    plane : ndarray, shape (h, w)
        Rows of the merge from ``first_row`` on; NaN where it has no value.
    affine : ndarray, shape (2, 3)
        See `picture_affine`.
    view : View
    placing : Placing
    rows : (int, int), optional
        From the first to before the second; all if not given.
    first_row : int
    """
    top, bottom = rows or (0, view.side)
    x, y = pixels_at(affine, view, placing, (top, bottom))
    return np.asarray(
        ndimage.map_coordinates(
            np.asarray(plane, np.float32),
            [y - first_row, x],
            order=1,
            mode="constant",
            cval=np.nan,
            prefilter=False,
        ),
        np.float32,
    )


def sampled_error(
    sigma: NDArray[Any],
    affine: Floats,
    view: View,
    placing: Placing = Placing(),
    *,
    rows: tuple[int, int] | None = None,
    first_row: int = 0,
) -> Pixels:
    """Return a station's standard error on rows of the common grid; see `sampled`.

    Variances are linear between pixels: what is taken beside a pixel of a merge's rim, which one
    short exposure saw, has that pixel's noise in it.
    """
    variance = np.square(np.asarray(sigma, np.float32))
    return np.sqrt(sampled(variance, affine, view, placing, rows=rows, first_row=first_row))


def pixels_at(
    affine: Floats, view: View, placing: Placing, rows: tuple[int, int]
) -> tuple[Floats, Floats]:
    """Return x and y in a merge of the pixels of rows of the common grid."""
    west, north = view.places(*rows)
    both = affine @ np.vstack([placing.matrix(), [0.0, 0.0, 1.0]])
    x = both[0, 0] * west + both[0, 1] * north + both[0, 2]
    y = both[1, 0] * west + both[1, 1] * north + both[1, 2]
    return x, y


def noise_left(affine: Floats, view: View, placing: Placing, rows: tuple[int, int]) -> Pixels:
    """Return the part of a merge's noise that is left in pixels taken linearly between its own.

    Of four pixels with weights w the sum has the root of the sum of w squared: 1 on a pixel, 1/2
    between four, 2/3 in the mean (root of the mean square). Pixels count as independent.

    Parameters
    ----------
    affine : ndarray, shape (2, 3)
        See `picture_affine`.
    view : View
    placing : Placing
    rows : (int, int)

    Returns
    -------
    ndarray, shape (n, W)
    """
    out = np.ones((rows[1] - rows[0], view.side))
    for place in pixels_at(affine, view, placing, rows):
        part = place - np.floor(place)
        out *= np.sqrt(np.square(part) + np.square(1.0 - part))
    return np.asarray(out, np.float32)


def binned(plane: NDArray[Any], affine: Floats, factor: int) -> tuple[Pixels, Floats]:
    """Return a plane of means over blocks, and the affine to its pixels.

    Parameters
    ----------
    plane : ndarray, shape (h, w)
    affine : ndarray, shape (2, 3)
        To its pixels.
    factor : int
    """
    if factor == 1:
        return np.asarray(plane, np.float32), affine
    out = affine.copy()
    out[:, 2] += 0.5
    out /= factor
    out[:, 2] -= 0.5
    return block_mean(plane, factor, np.float32), out


def common_header(view: View, headers: list[Header]) -> Header:
    """Return the world coordinates of the common grid, for the time in the middle of all stations.

    Parameters
    ----------
    view : View
    headers : list of Header
        Of the stations' merges.
    """
    from astropy.time import Time, TimeDelta

    def mean(key: str) -> float:
        return float(np.mean([float(h[key]) for h in headers if key in h]))

    def times(key: str) -> Time:
        return Time([str(h[key]) for h in headers if key in h], scale="utc")

    radius = mean("RSUN_OBS")
    north = mean("SOLARPA")
    observer = Observer(
        solar_north=north,
        zenith=north,
        b0=mean("HGLT_OBS"),
        l0=mean("CRLN_OBS"),
        distance_km=mean("DSUN_OBS") / 1e3,
        sun_radius_arcsec=radius,
        sun_radius_km=mean("RSUN_REF") / 1e3,
    )
    grid = Grid(view.side, view.side, view.step * radius, north)
    averages = times("DATE-AVG")
    after = float(np.mean((averages - averages[0]).sec))
    middle = averages[0] + TimeDelta(after, format="sec")
    header = world_header(grid, observer, times("DATE-BEG").min(), middle, times("DATE-END").max())
    del header["ZENITHPA"]  # each station has its own
    return header
