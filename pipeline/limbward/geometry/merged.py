"""Where Sun and Moon are in a merged picture, as its header says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy.io.fits import Header

from limbward.errors import LimbwardError
from limbward.geometry.disc import Geometry
from limbward.geometry.grid import read_geometry


def check_merge(path: str | Path, header: Header, shape: tuple[int, ...]) -> None:
    """Refuse a picture that is no merge, or whose header cannot be true.

    Raises
    ------
    LimbwardError
        With what is missing or wrong.
    """
    if len(shape) != 3 or shape[0] != 3 or min(shape) < 1:
        raise LimbwardError(f"{path} is not a merge: it has no three colours.")
    try:
        grid, sun, moon = read_geometry(header)
    except (KeyError, ValueError, TypeError) as error:
        raise LimbwardError(
            f"{path} is not a merge: its header does not say where the Sun is ({error})."
        ) from error
    discs = [sun] if moon is None else [sun, moon]
    numbers = [grid.up_position_angle, *(v for d in discs for v in (d.x, d.y, d.radius))]
    # A disc no larger than a pixel, or as large as a thousand pictures, is nobody's Sun.
    sizes = all(0.5 < d.radius < 1e3 * max(shape) for d in discs)
    if not (grid.scale_arcsec > 0 and np.isfinite(numbers).all() and sizes):
        raise LimbwardError(f"{path} is damaged: its header has the Sun at no possible place.")


def geometry_of(header: Header) -> Geometry:
    """Return where Sun and Moon are in a merged picture."""
    grid, sun, moon = read_geometry(header)
    return Geometry(
        sun_x=sun.x,
        sun_y=sun.y,
        sun_radius_px=sun.radius,
        moon_x=None if moon is None else moon.x,
        moon_y=None if moon is None else moon.y,
        moon_radius_px=None if moon is None else moon.radius,
        up_position_angle=grid.up_position_angle,
    )
