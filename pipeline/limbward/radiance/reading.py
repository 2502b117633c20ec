"""What pictures are composed of, read out of a merge and its enhancements a colour at a time."""

from __future__ import annotations

from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from limbward.geometry.disc import Disc
from limbward.radiance.depth import GREEN, hide_shallow
from limbward.radiance.fits import PlaneRows, read_rows
from limbward.radiance.scratch import Room, by_rows, let_go

Pixels = NDArray[np.float32]


def read_whole(hdu: Any, room: Room = np.empty) -> Pixels:
    """Return all colours of a picture (3, H, W), in an array that ``room`` makes."""
    out = room(hdu.shape, np.float32)
    for c, plane in enumerate(out):
        read_rows(hdu, c, plane)
        let_go(out)
    return out


def read_deep(hdus: fits.HDUList, sun: Disc, room: Room = np.empty) -> Pixels:
    """Return a merge's radiance (3, H, W) without the margins that only short exposures saw.

    Parameters
    ----------
    hdus : HDUList
        Of corona.fits, with ``SIGMA`` if it has that.
    sun : Disc
        In the merge.
    room : callable
        Makes the array; `limbward.radiance.scratch.room_on_disk` is another.
    """
    radiance = read_whole(hdus[0], room)
    if "SIGMA" in hdus:
        noise = room(radiance.shape[1:], np.float32)
        read_rows(hdus["SIGMA"], GREEN, noise)
        hide_shallow(radiance, noise, sun)
        let_go(radiance)
    return radiance


def read_surface(hdus: fits.HDUList, room: Room = np.empty) -> tuple[Pixels, int, int] | None:
    """Return the Moon's side (3, h, w) and its top row and left column; None if not merged."""
    if "MOON" not in hdus:
        return None
    header = hdus[0].header
    surface = read_whole(hdus["MOON"], room)
    return surface, int(header["MOONTOP"]), int(header["MOONLEFT"])


def mean_of_colours(hdu: Any, room: Room = np.empty) -> Pixels:
    """Return the mean (H, W) of a picture's colours, in an array that ``room`` makes."""
    out = room(hdu.shape[1:], np.float32)
    first, *others = (PlaneRows(hdu, c) for c in range(hdu.shape[0]))
    for rows in by_rows(len(out), out):
        out[rows] = first[rows]
        for plane in others:
            out[rows] += plane[rows]
        out[rows] /= hdu.shape[0]
    return out
