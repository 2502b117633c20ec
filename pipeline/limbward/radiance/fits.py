"""FITS pictures: row 1 is the bottom row in the file, row 0 the top row in memory."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from os import PathLike
from typing import Any, BinaryIO

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.radiance.fits_rows import RowsFile
from limbward.radiance.scratch import let_go

Pixels = NDArray[Any]

ROWS = 64  # copied at a time: 1.5 MB, which stay in cache
SUM_BYTES = 1 << 23  # added up at a time


def write_picture(
    path: str | PathLike[str],
    image: Pixels,
    header: fits.Header,
    extensions: Mapping[str, Pixels] | None = None,
    history: Sequence[str] = (),
) -> None:
    """Write a picture with its extensions, a few rows at a time.

    Parameters
    ----------
    path : path
        Replaced if it exists.
    image : ndarray, shape (3, H, W) or (H, W)
        Rows from the top. Whole numbers of 16 bits stay such; all else is written as float32.
    header : Header
        World coordinates and whatever else belongs to the picture.
    extensions : mapping of name to ndarray
        Pictures on the same grid.
    history : sequence of str
        One ``HISTORY`` entry each.
    """
    pictures = {"": image, **(extensions or {})}
    kinds = {name: "u2" if data.dtype == np.uint16 else "f4" for name, data in pictures.items()}
    shapes = {name: (data.shape, kinds[name]) for name, data in pictures.items()}
    with RowsFile(path, header, shapes, history) as file:
        for name, data in pictures.items():
            for top in range(0, data.shape[-2], ROWS):
                file.write(name, top, data[..., top : top + ROWS, :])
                let_go(data)


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
    with open_picture(path, names) as hdus:
        found = {n: _read(hdus[n], plane) for n in names if n in hdus}
        image = np.asarray(_read(hdus[0], plane), np.float32)
        return image, hdus[0].header, found


@contextmanager
def open_picture(
    path: str | PathLike[str], names: Sequence[str] = (), *, main: bool = True
) -> Iterator[fits.HDUList]:
    """Open a picture whose checksums are true, where it has any.

    Parameters
    ----------
    path : path
    names : sequence of str
        Extensions that will be read besides the picture.
    main : bool
        Whether the picture itself will be read, not its header alone.

    Yields
    ------
    HDUList
        The primary HDU is a picture of three colours or one, and so are the extensions.

    Raises
    ------
    LimbwardError
        If the file cannot be read as a FITS picture, or is damaged.
    """
    with ExitStack() as stack:
        try:
            # Not mapped: pages of a map would count as memory used.
            hdus = stack.enter_context(fits.open(path, memmap=False))
            _check(path, [*hdus[: int(main)], *(hdus[n] for n in names if n in hdus)])
        except (LimbwardError, MemoryError):
            raise
        except Exception as error:  # Astropy's readers raise all kinds for a damaged header
            raise LimbwardError(f"{path} cannot be read as a FITS picture: {error}") from error
        yield hdus


def _check(path: PathLike[str] | str, wanted: Sequence[Any]) -> None:
    """Raise if HDUs of a file hold no pictures or are damaged."""
    for hdu in wanted:
        if len(hdu.shape) not in (2, 3):
            raise LimbwardError(f"{path} holds no picture in its HDU {hdu.name}.")
    with open(path, "rb") as file:
        for hdu in wanted:
            if "CHECKSUM" not in hdu.header:
                _ = hdu.data  # what is wrong with it shows now
            elif not _sums_up(hdu, file):
                raise LimbwardError(
                    f"{path} is damaged (the checksum of its HDU {hdu.name} is wrong); "
                    "if a run made it, run again with --from merge; if it is a copy, copy "
                    "it again."
                )


def _sums_up(hdu: Any, file: BinaryIO) -> bool:
    """Return whether an HDU is as its ``CHECKSUM`` says.

    The words of the whole HDU then add up to minus zero in ones' complement (FITS standard 4.0,
    appendix J). Astropy's own check takes the HDU's size in memory.
    """
    place = hdu.fileinfo()
    begin, left = place["hdrLoc"], place["datLoc"] + place["datSpan"] - place["hdrLoc"]
    file.seek(begin)
    total = 0
    while left:
        block = file.read(min(left, SUM_BYTES))
        if not block or len(block) % 4:
            return False
        total += int(np.frombuffer(block, ">u4").sum(dtype=np.uint64))
        left -= len(block)
    return total > 0 and total % 0xFFFFFFFF == 0


def read_extension(path: str | PathLike[str], name: str, plane: int | None = None) -> Pixels | None:
    """Read an extension alone; None if the file does not have it.

    Parameters
    ----------
    path, name, plane
        As `read_picture` takes them.

    Raises
    ------
    LimbwardError
        If the file cannot be read as a FITS picture.
    """
    with open_picture(path, [name]) as hdus:
        return _read(hdus[name], plane) if name in hdus else None


def _read(hdu: Any, plane: int | None) -> Pixels:
    """Return a picture, or one of its colours, rows from the top.

    Whole, its bytes would be copied three times: read, put in the machine's order, turned over.
    """
    shape = hdu.shape
    if len(shape) == 3 and plane is not None:
        return read_rows(hdu, plane)
    if len(shape) == 3:
        first = read_rows(hdu, 0)
        out = np.empty(shape, first.dtype)
        out[0] = first
        del first
        for c in range(1, shape[0]):
            read_rows(hdu, c, out[c])
        return out
    return read_rows(hdu, None)


def read_rows(hdu: Any, plane: int | None, out: Pixels | None = None) -> Pixels:
    """Read a colour of an open picture, rows from the top.

    Parameters
    ----------
    hdu : PrimaryHDU or ImageHDU
    plane : int, optional
        The colour; None for a picture of two dimensions.
    out : ndarray, shape (H, W), optional
        Where to write.
    """
    height = hdu.shape[-2]
    for top in range(0, height, ROWS):
        rows = slice(max(height - top - ROWS, 0), height - top)
        band = hdu.section[rows] if plane is None else hdu.section[plane, rows]
        if out is None:
            out = np.empty(hdu.shape[-2:], band.dtype.newbyteorder("="))
        out[top : top + ROWS] = band[::-1]
    assert out is not None
    return out


class PlaneRows:
    """Rows of one colour of an open picture, read each time that they are asked for."""

    def __init__(self, hdu: Any, plane: int) -> None:
        self._hdu, self._plane = hdu, plane

    def __getitem__(self, rows: slice) -> NDArray[np.float32]:
        """Return rows, counted from the top."""
        height = self._hdu.shape[-2]
        first, last, _ = rows.indices(height)
        band = self._hdu.section[self._plane, height - last : height - first]
        return np.asarray(band[::-1], np.float32)


def planes_of(hdu: Any, first: int = 0) -> Iterator[NDArray[np.float32]]:
    """Read a picture's colours one after the other, rows from the top: never two at once."""
    for c in range(first, hdu.shape[0]):
        yield np.asarray(read_rows(hdu, c), np.float32)


def history_of(header: fits.Header) -> list[str]:
    """Return what was done; a line of more than 72 letters was broken when it was written."""
    lines: list[str] = []
    length = 0
    for card in header.get("HISTORY", []):
        line = str(card)
        if length >= 71:  # 71 where the 72nd was a space, which is not kept
            lines[-1] += line if length == 72 else f" {line}"
        else:
            lines.append(line)
        length = len(line)
    return lines
