"""FITS pictures: row 1 is the bottom row in the file, row 0 the top row in memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from os import PathLike
from typing import Any

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from limbward.errors import LimbwardError

Pixels = NDArray[Any]


def write_picture(
    path: str | PathLike[str],
    image: Pixels,
    header: fits.Header,
    extensions: Mapping[str, Pixels] | None = None,
    history: Sequence[str] = (),
) -> None:
    """Write a picture with its extensions.

    Parameters
    ----------
    path : path
        Replaced if it exists.
    image : ndarray, shape (3, H, W) or (H, W)
        Rows from the top.
    header : Header
        World coordinates and whatever else belongs to the picture.
    extensions : mapping of name to ndarray
        Pictures on the same grid.
    history : sequence of str
        One ``HISTORY`` entry each.
    """
    primary = fits.PrimaryHDU(image[..., ::-1, :], header=header)
    for line in history:
        primary.header["HISTORY"] = line
    hdus = [primary]
    for name, data in (extensions or {}).items():
        hdus.append(fits.ImageHDU(data[..., ::-1, :], name=name))
    pictures = fits.HDUList(hdus)
    pictures.verify("silentfix")  # completes the headers, which the checksums cover
    for hdu in pictures:
        # In place of the comment with the time of day: the same picture is the same file.
        hdu.add_checksum(when="checksum of the HDU")
    pictures.writeto(path, overwrite=True)


def read_picture(
    path: str | PathLike[str], names: Sequence[str] = (), plane: int | None = None
) -> tuple[Pixels, fits.Header, dict[str, Pixels]]:
    """Read a picture and those of its extensions that are asked for.

    Parameters
    ----------
    path : path
    names : sequence of str
        Extensions; those the file does not have are left out.
    plane : int, optional
        The one colour that is read, here and in the extensions; all if not given.

    Returns
    -------
    image : ndarray of float32
        Rows from the top.
    header : Header
    extensions : dict

    Raises
    ------
    LimbwardError
        If the file cannot be read as a FITS picture.
    """

    def pixels(hdu: Any) -> Pixels:
        # A section is read from the disc alone: a third of the memory.
        return hdu.data if plane is None or hdu.header["NAXIS"] < 3 else hdu.section[plane]

    try:
        with fits.open(path, memmap=False) as hdus:
            data = pixels(hdus[0])
            if data is None or data.ndim not in (2, 3):
                raise LimbwardError(f"{path} holds no picture in its primary HDU.")
            found = {
                n: np.ascontiguousarray(pixels(hdus[n])[..., ::-1, :]) for n in names if n in hdus
            }
            image = np.ascontiguousarray(data[..., ::-1, :], dtype=np.float32)
            return image, hdus[0].header, found
    except OSError as error:
        raise LimbwardError(f"{path} cannot be read as a FITS picture: {error}") from error
