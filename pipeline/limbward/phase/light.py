"""How bright a frame is where it tells its phase: anywhere, and around the Moon's limb."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.camera.luminance import Plane

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

SECTORS = 72  # of 5 degrees
LIMB = (0.93, 1.10)  # lunar radii, where beads are sought; the disc may be 0.05 too large or small
CORONA = (1.04, 1.12)  # lunar radii, where the corona is measured
DISC = 0.8  # lunar radii, within which only scattered light is
# Of the range: where the equator is twice as bright, converters begin to bend, which widens edges.
IN_PROPORTION = 0.35
BRIGHTEST = 4096  # pixels looked at for a peak; more hot ones than that no sensor has
TILE = 8  # pixels
COMPANIONS = 2  # neighbours that a pixel of a peak must have; hot pixels stand alone


@dataclass(frozen=True)
class Light:
    """Levels of one frame as fractions of the sensor's range; NaN where not measured.

    Attributes
    ----------
    peak : float
        The highest that a group of pixels reaches; 1 where they are clipped.
    middle : float
        Of all pixels.
    limb_peak : float
        As ``peak``, near the Moon's limb and less what is scattered onto its disc.
    limb_level : float
        Median of the sectors around the Moon's limb, in the same way.
    limb_faintest : float
        A tenth of the sectors are fainter than this.
    """

    peak: float = np.nan
    middle: float = np.nan
    limb_peak: float = np.nan
    limb_level: float = np.nan
    limb_faintest: float = np.nan

    @property
    def in_proportion(self) -> bool:
        """Whether the corona at the limb is faint enough for edges to be as sharp as they are."""
        return self.limb_level < IN_PROPORTION


def light_of(
    plane: Plane, range_adu: float, moon: tuple[float, float, float] | None = None
) -> Light:
    """Measure how bright a frame is.

    Parameters
    ----------
    plane : Plane
        Its green pixels.
    range_adu : float
        White level above black, ADU.
    moon : tuple of float, optional
        Centre x, y and radius of the disc taken for the Moon, full raw pixels.

    Returns
    -------
    Light
    """
    value = np.where(plane.saturated, np.float32(range_adu), plane.image)
    whole = _peak(value)
    middle = float(np.median(value[::4, ::4]))
    if moon is None:
        return Light(whole / range_adu, middle / range_adu)
    x = (moon[0] - plane.origin[0]) / plane.scale
    y = (moon[1] - plane.origin[1]) / plane.scale
    r = moon[2] / plane.scale
    top, left = max(int(y - 1.2 * r), 0), max(int(x - 1.2 * r), 0)
    part = value[top : max(int(y + 1.2 * r) + 2, 0), left : max(int(x + 1.2 * r) + 2, 0)]
    if min(part.shape) < 3:
        return Light(whole / range_adu, middle / range_adu)
    rows, columns = np.indices(part.shape, dtype=np.float32)
    away = np.stack([rows - np.float32(y - top), columns - np.float32(x - left)])
    distance = np.hypot(*away) / np.float32(r)
    inside = part[distance < DISC]
    scattered = float(np.median(inside)) if inside.size else 0.0
    near = (distance > LIMB[0]) & (distance < LIMB[1])
    ring = (distance > CORONA[0]) & (distance < CORONA[1])
    if not near.any() or not ring.any():
        return Light(whole / range_adu, middle / range_adu)
    sector = ((np.arctan2(*away[:, ring]) / (2 * np.pi) + 0.5) * SECTORS).astype(int) % SECTORS
    levels = ndimage.median(part[ring], sector, np.unique(sector))
    faintest, level = np.quantile(np.asarray(levels), (0.1, 0.5))
    limb_peak = _peak(np.where(near, part, np.float32(-np.inf)))
    return Light(
        whole / range_adu,
        middle / range_adu,
        (limb_peak - scattered) / range_adu,
        float(level - scattered) / range_adu,
        float(faintest - scattered) / range_adu,
    )


def _peak(value: NDArray[np.float32]) -> float:
    """Return the highest level that a pixel and two of its neighbours reach."""
    rows, columns = value.shape
    y, x = brightest(value, min(BRIGHTEST, value.size))
    group = [
        value[np.clip(y + j, 0, rows - 1), np.clip(x + i, 0, columns - 1)]
        for j in (-1, 0, 1)
        for i in (-1, 0, 1)
    ]
    ordered = np.sort(np.stack(group), axis=0)
    return float(ordered[-1 - COMPANIONS].max())


def brightest(value: NDArray[np.float32], many: int) -> tuple[Indices, Indices]:
    """Return row and column of so many of the highest pixels.

    Each of as many tiles has a pixel as high as the least of the highest maxima of tiles, so that
    only pixels from there on have to be sorted: a tenth of the time, unless most are clipped.
    """
    rows, columns = value.shape
    tall, wide = rows // TILE, columns // TILE
    strips = value[: tall * TILE].reshape(tall, TILE, columns).max(axis=1)
    highest = strips[:, : wide * TILE].reshape(tall, wide, TILE).max(axis=2).ravel()
    least = -np.inf
    if highest.size > many:
        least = float(np.partition(highest, highest.size - many)[highest.size - many])
    high = np.flatnonzero(value >= least)
    chosen = high[np.argpartition(value.ravel()[high], high.size - many)[-many:]]
    y, x = np.divmod(chosen, columns)
    return y, x
