"""A merge read at a fraction of its size: binned while it is read, which saves the memory."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.geometry.merged import check_merge
from limbward.picture.binning import bin_mean
from limbward.radiance.fits import open_picture

Pixels = NDArray[np.float32]

BAND = 64  # rows of the result for which the picture is read at a time: 6 MB, which stay in cache


def read_small(
    path: str | Path, factor: int, *, noise: bool = False
) -> tuple[Pixels, Pixels | None, Header]:
    """Return a merge, binned while it is read, with a header that fits it.

    Parameters
    ----------
    path : path
    factor : int
    noise : bool
        Whether SIGMA is wanted.

    Returns
    -------
    image : ndarray of float32, shape (3, h, w)
        NaN where one of the pixels is.
    sigma : ndarray of float32 or None
        Of the binned pixels, taking errors as independent.
    header : Header
    """
    with ThreadPoolExecutor(1) as beside:
        later = beside.submit(_sigma, path, factor) if noise else None
        with open_picture(path) as hdus:
            header = hdus[0].header.copy()
            check_merge(path, header, hdus[0].shape)
            image = _binned(hdus[0], factor, square=False)
        sigma = None if later is None else later.result()
    bin_header(header, factor, image.shape[1:])
    return image, sigma, header


def _sigma(path: str | Path, factor: int) -> Pixels | None:
    """Return the noise, read beside the picture through a file of its own; None without one."""
    with open_picture(path, ["SIGMA"], main=False) as hdus:
        return _binned(hdus["SIGMA"], factor, square=True) if "SIGMA" in hdus else None


def bin_header(header: Header, factor: int, shape: tuple[int, ...]) -> None:
    """Make a merge's header that of the picture binned, in place.

    Parameters
    ----------
    header : Header
    factor : int
    shape : tuple of int
        Rows and columns of the result.
    """
    rows, columns = shape
    # Rows left over are those at the bottom in memory, which are the first in the file.
    lost = int(header["NAXIS2"]) - rows * factor
    header["NAXIS1"], header["NAXIS2"] = columns, rows
    for key in ("CRPIX1", "MOONX"):
        if key in header:
            header[key] = (float(header[key]) - 0.5) / factor + 0.5
    for key in ("CRPIX2", "MOONY"):
        if key in header:
            header[key] = (float(header[key]) - lost - 0.5) / factor + 0.5
    if "MOONR" in header:
        header["MOONR"] = float(header["MOONR"]) / factor
    slopes = [f"SKY{axis}{n}" for axis in "XY" for n in (1, 2, 3)]
    for key in ("CDELT1", "CDELT2", *slopes):
        if key in header:
            header[key] = float(header[key]) * factor


def _binned(hdu: Any, factor: int, *, square: bool) -> Pixels:
    if len(hdu.shape) != 3:
        raise LimbwardError("There is no picture of three colours in the file.")
    planes, height, width = hdu.shape
    out = np.empty((planes, height // factor, width // factor), np.float32)
    for plane in range(planes):
        for top in range(0, out.shape[1], BAND):
            into = out[plane, top : top + BAND]
            # The file's numbers are big-endian and its rows from the bottom.
            rows = slice(height - (top + len(into)) * factor, height - top * factor)
            band = np.asarray(hdu.section[plane, rows], np.float32)[::-1]
            bin_mean(band, factor, square, into)
    return out
