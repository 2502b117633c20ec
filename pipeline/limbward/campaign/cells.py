"""Coronas as means over cells of distance and position angle: small, whatever the merge's size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.campaign.view import Floats, Pixels, View

FULLEST = 0.5  # of a cell's pixels that must have a value


@dataclass(frozen=True)
class Cells:
    """How the corona is divided.

    Attributes
    ----------
    inner, outer : float
        Solar radii.
    radii, angles : int
        Number of steps, equal ones, of distance and of position angle.
    """

    inner: float = 1.15
    outer: float = 2.8
    radii: int = 66
    angles: int = 120

    @property
    def step(self) -> float:
        """Solar radii a cell."""
        return (self.outer - self.inner) / self.radii

    @property
    def middles(self) -> Floats:
        """Distance of the middle of each step, solar radii."""
        return np.asarray(self.inner + (np.arange(self.radii) + 0.5) * self.step)

    @property
    def position_angles(self) -> Floats:
        """Position angle of the middle of each step, degrees from solar north through east."""
        return np.asarray((np.arange(self.angles) + 0.5) * 360.0 / self.angles)


def cell_means(light: Pixels, sigma: Pixels, view: View, cells: Cells) -> tuple[Floats, Floats]:
    """Return the mean of a picture in each cell, and its error.

    Parameters
    ----------
    light, sigma : ndarray, shape (S, S)
        On the grid; NaN where there is no value.
    view : View
    cells : Cells

    Returns
    -------
    mean, error : ndarray, shape (radii, angles)
        NaN where less than half of a cell is seen. Errors of pixels count as independent.
    """
    number, inside = _numbers(view, cells)
    good = inside & np.isfinite(light) & np.isfinite(sigma)
    size = cells.radii * cells.angles
    whole = np.bincount(number[inside], minlength=size)
    seen = np.bincount(number[good], minlength=size)
    total = np.bincount(number[good], light[good], size)
    square = np.bincount(number[good], np.square(sigma[good], dtype=float), size)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(seen >= FULLEST * np.maximum(whole, 1), total / seen, np.nan)
        error = np.where(np.isfinite(mean), np.sqrt(square) / seen, np.nan)
    shape = (cells.radii, cells.angles)
    return mean.reshape(shape), error.reshape(shape)


def _numbers(view: View, cells: Cells) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    west, north = view.places()
    rho = np.hypot(west, north)
    r = np.floor((rho - cells.inner) / cells.step).astype(int)
    a = np.floor((np.arctan2(-west, north) / (2 * np.pi) % 1.0) * cells.angles).astype(int)
    inside = (r >= 0) & (r < cells.radii)
    return np.where(inside, r * cells.angles + a % cells.angles, 0), inside
