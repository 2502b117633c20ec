"""FITS pictures written row by row, so that memory does not grow with their size."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from os import PathLike
from typing import Any, BinaryIO, Self

import numpy as np
from astropy.io import fits
from numpy.typing import NDArray

BLOCK = 2880  # bytes, of which headers and data are multiples
SUM_BYTES = BLOCK * 4096
PUNCTUATION = frozenset(b":;<=>?@[\\]^_`")  # which no letter of a checksum may be


class RowsFile:
    """A file of pictures on one grid, rows counted from the top as `limbward.radiance.fits` does.

    Parameters
    ----------
    path : path
        Replaced if it exists.
    header : Header
        Of the first picture, whose name is ``""``.
    shapes : mapping of name to (shape, dtype)
        The first is the primary one; the others are extensions. float32 and uint16 are taken.
    history : sequence of str
        One ``HISTORY`` entry each.
    """

    def __init__(
        self,
        path: str | PathLike[str],
        header: fits.Header,
        shapes: Mapping[str, tuple[tuple[int, ...], str]],
        history: Sequence[str] = (),
    ) -> None:
        self._shape: dict[str, tuple[int, ...]] = {}
        self._type: dict[str, str] = {}
        self._begin: dict[str, int] = {}
        self._headers: list[tuple[int, fits.Header, int]] = []
        at = 0
        self._file: BinaryIO = open(path, "wb+")  # noqa: SIM115 - until `close`
        for number, (name, (shape, kind)) in enumerate(shapes.items()):
            made = _header(shape, kind, header if number == 0 else None, name, history)
            text = made.tostring().encode("ascii")
            size = int(np.prod(shape)) * np.dtype(kind).itemsize
            self._shape[name], self._type[name] = shape, kind
            self._begin[name] = at + len(text)
            self._headers.append((at, made, size))
            self._file.seek(at)
            self._file.write(text)
            at += len(text) + -(-size // BLOCK) * BLOCK
        self._file.truncate(at)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self._file.close()

    def write(self, name: str, top: int, rows: NDArray[Any]) -> None:
        """Write rows (n, W), or (C, n, W) of all colours, from row ``top`` on."""
        shape = self._shape[name]
        planes = rows[None] if rows.ndim == 2 else rows
        for c, plane in enumerate(planes):
            self._file.seek(self._place(name, c, top, plane.shape[0]))
            stored = plane[::-1]
            if self._type[name] == "u2":
                stored = (stored.astype(np.int32) - 32768).astype(">i2")
            self._file.write(np.ascontiguousarray(stored, dtype=self._stored(name)).tobytes())
            assert plane.shape[1] == shape[-1]

    def read(self, name: str, top: int, number: int) -> NDArray[np.float32]:
        """Return rows (C, n, W) of a picture of float32, as they have been written."""
        shape = self._shape[name]
        out = np.empty((shape[0], number, shape[-1]), np.float32)
        for c in range(shape[0]):
            self._file.seek(self._place(name, c, top, number))
            data = self._file.read(number * shape[-1] * 4)
            out[c] = np.frombuffer(data, ">f4").reshape(number, shape[-1])[::-1]
        return out

    def update(self, header: fits.Header) -> None:
        """Give keys of the first picture's header, which it has already, other values."""
        own = self._headers[0][1]
        for key in header:
            if key in own and key not in ("HISTORY", "COMMENT", ""):
                own[key] = header[key]

    def close(self) -> None:
        """Write the checksums and close the file."""
        with self._file as file:
            for at, header, size in self._headers:
                text = header.tostring()
                total = self._sum(at + len(text), -(-size // BLOCK) * BLOCK)
                header["DATASUM"] = str(total)
                header["CHECKSUM"] = "0" * 16
                plain = header.tostring().encode("ascii")
                words = np.frombuffer(plain, ">u4").sum(dtype=np.uint64)
                whole = _carried(int(words) + total)
                header["CHECKSUM"] = _letters(~whole & 0xFFFFFFFF)
                file.seek(at)
                file.write(header.tostring().encode("ascii"))

    def _stored(self, name: str) -> str:
        return ">f4" if self._type[name] == "f4" else ">i2"

    def _place(self, name: str, c: int, top: int, number: int) -> int:
        height, width = self._shape[name][-2:]
        row = c * height + height - top - number
        return self._begin[name] + row * width * np.dtype(self._type[name]).itemsize

    def _sum(self, begin: int, left: int) -> int:
        self._file.seek(begin)
        total = 0
        while left:
            block = self._file.read(min(left, SUM_BYTES))
            total = _carried(total + int(np.frombuffer(block, ">u4").sum(dtype=np.uint64)))
            left -= len(block)
        return total


def _header(
    shape: tuple[int, ...],
    kind: str,
    header: fits.Header | None,
    name: str,
    history: Sequence[str],
) -> fits.Header:
    small = np.zeros((1,) * len(shape), np.dtype(kind).newbyteorder(">"))
    if header is not None:
        hdu = fits.PrimaryHDU(small, header=header)
        for line in history:
            hdu.header["HISTORY"] = line
    else:
        hdu = fits.ImageHDU(small, name=name)
    hdu.verify("silentfix")
    made: fits.Header = hdu.header
    for axis, length in enumerate(reversed(shape), start=1):
        made[f"NAXIS{axis}"] = length
    if header is not None:
        made.set("EXTEND", True, after=f"NAXIS{len(shape)}")
    made["CHECKSUM"] = ("0" * 16, "checksum of the HDU")
    made["DATASUM"] = ("0", "checksum of the HDU")
    return made


def _carried(total: int) -> int:
    """Return a sum in ones' complement: what is beyond 32 bits is added below."""
    while total >> 32:
        total = (total & 0xFFFFFFFF) + (total >> 32)
    return total


def _letters(value: int) -> str:
    """Return 32 bits as the sixteen letters of a ``CHECKSUM`` (FITS standard 4.0, appendix J)."""
    out = bytearray(16)
    for i in range(4):
        byte = value >> (24 - 8 * i) & 0xFF
        letters = [byte // 4 + 48] * 4
        letters[0] += byte % 4
        while any(c in PUNCTUATION for c in letters):
            for j in (0, 2):
                if letters[j] in PUNCTUATION or letters[j + 1] in PUNCTUATION:
                    letters[j] += 1
                    letters[j + 1] -= 1
        for j in range(4):
            out[4 * j + i] = letters[j]
    return (out[-1:] + out[:-1]).decode("ascii")
