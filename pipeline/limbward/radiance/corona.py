"""The merged corona as a file holds it: the sky taken off, with its header and extensions."""

from __future__ import annotations

from dataclasses import dataclass
from os import PathLike
from typing import Any

from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.geometry.grid import Grid
from limbward.radiance.fits import write_picture
from limbward.radiance.merge import Merged, MoonBox
from limbward.radiance.scratch import let_go
from limbward.radiance.sky import Sky, add_sky, fit_sky, write_sky


@dataclass(frozen=True)
class Corona:
    """A merge and all that is said of it.

    Attributes
    ----------
    merged : Merged
        The sky, its own brightness taken off.
    surface : Merged or None
        The Moon's disc.
    header : Header
    sky : Sky or None
        What was taken off.
    """

    merged: Merged
    surface: Merged | None
    header: Header
    sky: Sky | None


def without_sky(
    merged: Merged,
    surface: Merged | None,
    box: MoonBox,
    header: Header,
    grid: Grid,
    sun_radius_px: float | None,
) -> Corona:
    """Take the sky off a merge, in place, and complete its header.

    Parameters
    ----------
    merged, surface, box
        As the merge gives them.
    header : Header
        Of world coordinates, camera and times; is completed.
    grid : Grid
    sun_radius_px : float, optional
        None leaves the sky in.
    """
    sky = None if sun_radius_px is None else fit_sky(merged.radiance, grid, sun_radius_px)
    if sky is not None:
        add_sky(merged.radiance, grid, sky, -1.0)
    let_go(merged.radiance)
    write_sky(header, sky)
    if surface is not None:
        header["MOONLEFT"] = (box.left, "left column of the MOON extension, from 0")
        header["MOONTOP"] = (box.top, "its top row, from 0 at the top")
    return Corona(merged, surface, header, sky)


def write_corona(path: str | PathLike[str], corona: Corona, calibration: list[str]) -> None:
    """Write a corona as FITS.

    Parameters
    ----------
    path : path
    corona : Corona
    calibration : list of str
        What was done to the frames, a line each, for its history.
    """
    merged = corona.merged
    extensions: dict[str, NDArray[Any]] = {"SIGMA": merged.sigma, "COUNT": merged.count}
    if corona.surface is not None:
        extensions["MOON"] = corona.surface.radiance
    history = [
        f"Linear merge of {corona.header['NFRAMES']} raw frames, registered on the Sun's centre.",
        "Weights from the predicted radiance and the camera's noise (Granados et al. 2010).",
        *calibration,
    ]
    write_picture(path, merged.radiance, corona.header, extensions, history)
