"""The brightness of the sky, which lies over the corona, as a plane that can be put back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.geometry.grid import Grid, read_geometry
from limbward.geometry.law import POWERS
from limbward.normal_matrix import inverse
from limbward.radiance.scratch import ROWS, let_go

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

INNERMOST = 1.6  # solar radii from which the fit looks
NEEDED = 2.5  # solar radii that the picture must reach
SECTORS = 12
OUTER = POWERS[:2]  # of the corona's mean law: what is left of it out there
CLIP = 4.0
LEAST_SIGMA = 2.0  # a sky less certain than this is not taken off


@dataclass(frozen=True)
class Sky:
    """A plane of brightness in R, G, B.

    Attributes
    ----------
    level : ndarray, shape (3,)
        At the Sun's centre, in the unit of the picture.
    slope_x, slope_y : ndarray, shape (3,)
        A pixel to the right and a pixel down.
    sigma : ndarray, shape (3,)
        Standard error of ``level``.
    """

    level: Floats
    slope_x: Floats
    slope_y: Floats
    sigma: Floats


class Blocks:
    """Means over blocks of a picture that comes row by row, NaN where a block has a gap.

    Parameters
    ----------
    grid : Grid
    """

    def __init__(self, grid: Grid) -> None:
        self.factor = max(1, -(-max(grid.width, grid.height) // 256))
        self._sums = np.zeros((3, grid.height // self.factor, grid.width // self.factor))

    def add(self, top: int, rows: Pixels) -> None:
        """Add rows (3, n, W) from row ``top`` on; each once."""
        f, (_, down, across) = self.factor, self._sums.shape
        n = min(rows.shape[1], down * f - top)
        if n <= 0:
            return
        cells = rows[:, :n, : across * f].reshape(3, n, across, f).sum(axis=3, dtype=np.float64)
        at = (top + np.arange(n)) // f
        np.add.at(self._sums.transpose(1, 0, 2), at, cells.transpose(1, 0, 2))

    def means(self) -> Floats:
        """Return the means, shape (3, h, w)."""
        return np.asarray(self._sums / self.factor**2)


def _blocks(image: Pixels, factor: int) -> Floats:
    """Return means over blocks, NaN where a block has a gap."""
    rows, columns = image.shape[1] // factor, image.shape[2] // factor
    out = np.empty((3, rows, columns))
    for i in range(rows):
        band = image[:, i * factor : (i + 1) * factor, : columns * factor]
        out[:, i] = band.reshape(3, factor, columns, factor).mean(axis=(1, 3), dtype=np.float64)
        let_go(image)
    return out


def fit_sky(image: Pixels, grid: Grid, sun_radius_px: float) -> Sky | None:
    """Fit the sky beside the corona.

    Parameters
    ----------
    image : ndarray of float32, shape (3, H, W)
    grid : Grid
    sun_radius_px : float

    Returns
    -------
    Sky or None
        None if the picture does not reach far enough out to tell them apart.

    Notes
    -----
    The corona falls as the sum of two powers of the distance, of which each of twelve directions
    has its own (the powers are those of the mean law); what does not fall is sky. The outermost
    corona, the light of dust, falls as slowly as that law's first term and is counted with the
    corona.
    """
    factor = max(1, -(-max(grid.width, grid.height) // 256))
    return fit_blocks(_blocks(image, factor), factor, grid, sun_radius_px)


def fit_blocks(small: Floats, factor: int, grid: Grid, sun_radius_px: float) -> Sky | None:
    """Fit the sky to the means (3, h, w) over blocks of a picture; else as `fit_sky`."""
    rows, columns = np.indices(small.shape[1:], dtype=float)
    dx = (columns + 0.5) * factor - 0.5 - grid.sun_x
    dy = (rows + 0.5) * factor - 0.5 - grid.sun_y
    rho = np.hypot(dx, dy) / sun_radius_px
    far = (rho > INNERMOST) & np.isfinite(small).all(axis=0)
    if not far.any() or rho[far].max() < NEEDED:
        return None
    angle = (np.arctan2(dy[far], dx[far]) / (2 * np.pi)) % 1.0 * SECTORS
    first = angle.astype(int)
    part = angle - first
    hats = np.zeros((far.sum(), SECTORS))
    at = np.arange(len(hats))
    hats[at, first % SECTORS] = 1.0 - part
    hats[at, (first + 1) % SECTORS] += part
    reach = float(rho[far].max()) * sun_radius_px
    plane = np.column_stack([np.ones(len(hats)), dx[far] / reach, dy[far] / reach])
    design = np.concatenate([hats * (rho[far] ** p)[:, None] for p in OUTER] + [plane], axis=1)
    found, errors = [], []
    for c in range(3):
        value = small[c][far]
        # Where the background was taken off too much, a hundredth of the values are below zero.
        least = max(float(np.percentile(value, 1.0)), 1e-6 * float(np.abs(value).max()), 1e-30)
        scale = np.maximum(value, least)
        keep = value > 0
        if np.count_nonzero(keep) < 4 * design.shape[1]:
            return None
        answer = np.zeros(design.shape[1])
        covariance = np.zeros((design.shape[1],) * 2)
        for _ in range(3):
            a, b = design[keep] / scale[keep, None], value[keep] / scale[keep]
            normal = a.T @ a
            unscaled = inverse(normal)
            answer = unscaled @ (a.T @ b)
            residual = (design @ answer - value) / scale
            spread = max(1.4826 * float(np.median(np.abs(residual[keep]))), 1e-9)
            covariance = unscaled * spread**2
            keep = (np.abs(residual) < CLIP * spread) & (value > 0)
            if np.count_nonzero(keep) < 4 * design.shape[1]:
                return None
        found.append(answer[-3:])
        errors.append(float(np.sqrt(covariance[-3, -3])))
    level, slope_x, slope_y = np.array(found).T
    sigma = np.array(errors)
    if (level < LEAST_SIGMA * sigma).any():
        return None
    return Sky(level, slope_x / reach, slope_y / reach, sigma)


def add_sky(image: Pixels, grid: Grid, sky: Sky, sign: float = 1.0) -> None:
    """Add the sky to a picture in place, or take it off with ``sign=-1``."""
    _add(image, grid.sun_x, grid.sun_y, sky, sign)


def sky_rows(rows: Pixels, grid: Grid, sky: Sky, sign: float, top: int) -> None:
    """Add the sky to rows (3, n, W) of a picture from row ``top`` on, in place."""
    _add(rows, grid.sun_x, grid.sun_y - top, sky, sign)


def _add(image: Pixels, sun_x: float, sun_y: float, sky: Sky, sign: float) -> None:
    x = np.arange(image.shape[2]) - sun_x
    for y in range(image.shape[1]):
        if y % ROWS == 0:
            let_go(image)
        level = sky.level[:, None] + sky.slope_x[:, None] * x
        level += (sky.slope_y * (y - sun_y))[:, None]
        image[:, y] += (sign * level).astype(np.float32)


def write_sky(header: Header, sky: Sky | None) -> None:
    """Write into a header what was taken off, in a form that `read_sky` puts back."""
    header["SKYSUB"] = (sky is not None, "whether the sky has been subtracted")
    if sky is None:
        return
    for c, name in enumerate(("red", "green", "blue")):
        n = c + 1
        header[f"SKY{n}"] = (float(sky.level[c]), f"{name} sky at the Sun's centre, subtracted")
        header[f"SKYX{n}"] = (float(sky.slope_x[c]), "its change per pixel to the right")
        header[f"SKYY{n}"] = (float(sky.slope_y[c]), "its change per pixel down")
        header[f"SKYERR{n}"] = (float(sky.sigma[c]), "its standard error")


def put_sky_back(image: Pixels, header: Header) -> bool:
    """Add to a merge, in place, the sky that was taken off; return whether there was any.

    Parameters
    ----------
    image : ndarray of float32, shape (3, H, W)
    header : Header
        Of the merge, or of the merge binned; says afterwards that none is taken off.
    """
    sky = read_sky(header)
    if sky is None:
        return False
    _, sun, _ = read_geometry(header)
    _add(image, sun.x, sun.y, sky, 1.0)
    for key in ("SKY", "SKYX", "SKYY", "SKYERR"):
        for n in (1, 2, 3):
            del header[f"{key}{n}"]
    write_sky(header, None)
    return True


def read_sky(header: Header) -> Sky | None:
    """Return the sky that was taken off a picture, None if none was."""
    if not header.get("SKYSUB", False):
        return None

    def values(key: str) -> Floats:
        return np.array([float(header[f"{key}{n}"]) for n in (1, 2, 3)])

    return Sky(values("SKY"), values("SKYX"), values("SKYY"), values("SKYERR"))
