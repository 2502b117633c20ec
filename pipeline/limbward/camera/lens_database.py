"""The distortion of a lens by its name: from the calibrations that Lensfun's database collects.

Needs the package `lensfunpy`, which brings the database. Most lenses in it were calibrated by one
person on one copy, at the distance of a house.
"""

from __future__ import annotations

import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.geometry.lens import MOST, Growth

# What one calibration is off at the corner by the differences in pairs of one lens's (from their
# median absolute deviation): 0.27 % in 39 pairs at 200 mm and longer, 0.28 to 0.34 % in 283 others.
SPREAD = 0.003
FULL_FRAME_MM = 43.267  # diagonal of 36 mm by 24 mm, the unit of crop factors
FOCAL_SHARE = 0.05  # Exif rounds focal lengths, and a zoom's ends are not reached quite
ROWS = 21  # of pixels of the frame, to which one term is fitted
SOURCE = "lens database"


class UnknownLens(LimbwardError):
    """The database does not tell a lens's distortion."""


def growth_in_database(
    name: str,
    focal_mm: float | None,
    size: tuple[float, float],
    pitch_um: float | None,
    camera: str = "",
    database: Any = None,
) -> Growth:
    """Return what the database says of a lens's distortion.

    Parameters
    ----------
    name : str
        Of the lens, as its maker writes it; blanks, case and the maker's own name do not matter.
    focal_mm : float or None
        At which the frames were taken; a lens of one focal length needs none.
    size : (float, float)
        Of the frames, pixels.
    pitch_um : float or None
        Of their pixels; if not known, the sensor is that of the camera in the database.
    camera : str
        Its name.
    database : lensfunpy.Database, optional
        Instead of the one that comes with the package.

    Returns
    -------
    Growth
        With the error of one copy of a lens against another, and of a single term.

    Raises
    ------
    UnknownLens
        With the reason, a sentence, if the database does not tell it.
    """
    try:
        import lensfunpy
    except ModuleNotFoundError:
        raise UnknownLens(
            "The lens database is not installed: `pip install 'limbward[lensdb]'`, then run again "
            "with --from timing."
        ) from None
    except ImportError as error:  # it needs GLib, which is the system's
        raise UnknownLens(f"The lens database cannot be loaded ({error}).") from None
    data = lensfunpy.Database() if database is None else database
    diagonal = _diagonal_mm(data, size, pitch_um, camera)
    if diagonal is None:
        raise UnknownLens(
            "Neither the files nor the lens database say how large the camera's sensor is."
        )
    lenses = [lens for lens in data.lenses if _same(name, lens.maker, lens.model)]
    if not lenses:
        raise UnknownLens(f"The lens database has no lens '{name}'.")
    straight = [lens for lens in lenses if lens.type == lensfunpy.LensType.RECTILINEAR]
    crop = FULL_FRAME_MM / diagonal
    # A calibration on a smaller sensor says nothing of this one's corners.
    reaching = [lens for lens in straight if lens.crop_factor <= crop * (1.0 + FOCAL_SHARE)]
    for lens in sorted(reaching, key=lambda lens: -lens.crop_factor):
        focal = _calibrated(lens, focal_mm)
        if focal is None:
            continue
        width, height = (round(n) for n in size)
        modifier = lensfunpy.Modifier(lens, crop, width, height)
        modifier.initialize(focal, 8.0, 1000.0, flags=lensfunpy.ModifyFlags.DISTORTION)
        rows = np.linspace(0, height - 1, ROWS).astype(int)
        drawn = [modifier.apply_geometry_distortion(0, int(y), width, 1) for y in rows]
        if all(row is not None for row in drawn):
            return _one_term(np.concatenate(drawn).astype(float), rows, (width, height))
    at = "" if focal_mm is None else f" at {focal_mm:g} mm"
    raise UnknownLens(f"The lens database has no distortion of '{name}'{at} on such a sensor.")


def _diagonal_mm(
    data: Any, size: tuple[float, float], pitch_um: float | None, camera: str
) -> float | None:
    if pitch_um is not None and np.isfinite(pitch_um):
        return float(np.hypot(*size)) * pitch_um / 1000.0
    cameras = [c for c in data.cameras if _same(camera, c.maker, c.model)]
    return FULL_FRAME_MM / cameras[0].crop_factor if cameras else None


def _plain(text: str) -> str:
    return re.sub(r"[\W_]", "", text.casefold())


def _same(name: str, maker: str, model: str) -> bool:
    """Return whether a name is that of a maker's model, with or without the maker.

    Nothing looser: another version of a lens has another distortion.
    """
    make, wanted = _plain(maker), _plain(name)
    both = {wanted, wanted.removeprefix(make)}
    return wanted != "" and bool(both & {_plain(model), _plain(model).removeprefix(make)})


def _calibrated(lens: Any, focal_mm: float | None) -> float | None:
    """Return the focal length to look up, within those that were calibrated; None if beyond."""
    known = [c.focal for c in lens.calib_distortion]
    if not known:
        return None
    low, high = min(known), max(known)
    if focal_mm is None or not np.isfinite(focal_mm):
        return low if low == high else None
    if not low * (1.0 - FOCAL_SHARE) <= focal_mm <= high * (1.0 + FOCAL_SHARE):
        return None
    return float(np.clip(focal_mm, low, high))


def _one_term(drawn: NDArray[np.float64], rows: NDArray[np.int64], size: tuple[int, int]) -> Growth:
    """Return the growth that fits best where places of some rows are drawn (R, W, 2), pixels.

    The scale is left free, since a card's comes from the Sun.
    """
    corner = float(np.hypot(*size)) / 2.0
    middle = (np.array(size) - 1.0) / 2.0
    x, y = np.meshgrid(np.arange(size[0]), rows)
    r = (np.hypot(x - middle[0], y - middle[1]) / corner).ravel()
    far = (np.hypot(*(drawn - middle).transpose(2, 0, 1)) / corner).ravel()
    design = np.column_stack([r, r**3])
    scale, third = np.linalg.lstsq(design, far, rcond=None)[0]
    worst = float(np.abs(far - design @ [scale, third]).max())
    growth = float(third / scale)
    if not abs(growth) < MOST:
        raise UnknownLens(f"The lens database has {100 * growth:+.1f} % of distortion, too much.")
    return Growth(growth, float(np.hypot(SPREAD, worst)), SOURCE, looked_up=True)
