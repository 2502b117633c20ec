"""What a HEIF file holds (ISO/IEC 14496-12, 8.11; ISO/IEC 23008-12): its pictures and its Exif."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from typing import Any

LARGEST_META = 1 << 22  # bytes
LARGEST_EXIF = 1 << 26
MOST_TILES = 4096


@dataclass(frozen=True)
class Layout:
    """What the primary item of a file is made of.

    Attributes
    ----------
    items : tuple of int
        The coded pictures, row by row.
    rows, columns : int
    height, width : int or None
        Of the whole, which the last tiles may reach beyond; None for a single picture.
    """

    items: tuple[int, ...]
    rows: int = 1
    columns: int = 1
    height: int | None = None
    width: int | None = None


def read_meta(stream: Any) -> bytes:
    """Return the content of the meta box, which lists what a file holds.

    Raises
    ------
    ValueError
        If there is none.
    """
    at, end = 0, stream.seek(0, 2)
    while at + 8 <= end:
        stream.seek(at)
        size, name = struct.unpack(">I4s", stream.read(8))
        if name == b"meta":
            if not 12 <= size <= LARGEST_META:
                break
            content: bytes = stream.read(size - 8)
            return content
        if size < 8:
            break
        at += size
    raise ValueError("it has no list of pictures")


def _boxes(content: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 0
    while at + 8 <= len(content):
        size, name = struct.unpack_from(">I4s", content, at)
        if size < 8:
            return
        yield name, content[at + 8 : at + size]
        at += size


def layout_of(meta: bytes) -> Layout:
    """Return what the primary picture is made of.

    Raises
    ------
    ValueError, struct.error
        If the box is damaged.
    """
    boxes = dict(_boxes(meta[4:]))
    pitm = boxes.get(b"pitm", b"")
    (primary,) = struct.unpack_from(">I" if pitm[:1] > b"\0" else ">H", pitm, 4)
    tiles = _made_of(boxes.get(b"iref", b""), primary)
    if not tiles:
        return Layout((primary,))
    # The grid is the only item that is kept in the box itself in all files of cameras.
    grid = boxes.get(b"idat", b"")
    _, flags, rows, columns = struct.unpack_from(">4B", grid)
    width, height = struct.unpack_from(">2I" if flags & 1 else ">2H", grid, 4)
    rows, columns = rows + 1, columns + 1
    if rows * columns != len(tiles) or rows * columns > MOST_TILES:
        raise ValueError("its tiles fill no grid")
    return Layout(tiles, rows, columns, height, width)


def _made_of(iref: bytes, item: int) -> tuple[int, ...]:
    """Return the items that an item is derived from (a reference of type dimg)."""
    wide = iref[:1] > b"\0"
    number, size = (">I", 4) if wide else (">H", 2)
    for name, content in _boxes(iref[4:]):
        (source,) = struct.unpack_from(number, content)
        (count,) = struct.unpack_from(">H", content, size)
        if name == b"dimg" and source == item:
            kind = f">{count}{number[1]}"
            return tuple(struct.unpack_from(kind, content, size + 2))
    return ()


def exif_of(stream: Any) -> BytesIO | None:
    """Return the TIFF block of a HEIF file's Exif item, None if there is none.

    Raises
    ------
    ValueError, struct.error
        If the list of items is damaged.
    """
    boxes = dict(_boxes(read_meta(stream)[4:]))
    item = next((n for n, kind in _kinds(boxes.get(b"iinf", b"")) if kind == b"Exif"), None)
    if item is None:
        return None
    places = _places(boxes.get(b"iloc", b""))
    place = next(((at, size) for n, at, size in places if n == item), None)
    if place is None or not 4 < place[1] <= LARGEST_EXIF:
        return None
    stream.seek(place[0])
    content: bytes = stream.read(place[1])
    # It begins with how far on the TIFF header is (ISO/IEC 23008-12, A.2.1).
    (skipped,) = struct.unpack_from(">I", content)
    return BytesIO(content[4 + skipped :])


def _kinds(iinf: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield number and type of each item."""
    for name, content in _boxes(iinf[6 if iinf[:1] == b"\0" else 8 :]):
        if name == b"infe" and content[:1] == b"\2":
            (number,) = struct.unpack_from(">H", content, 4)
            yield number, content[8:12]
        elif name == b"infe" and content[:1] == b"\3":
            (number,) = struct.unpack_from(">I", content, 4)
            yield number, content[10:14]


def _places(iloc: bytes) -> Iterator[tuple[int, int, int]]:
    """Yield number, first byte and length of each item that lies in the file in one piece."""
    version, _, _, _, sizes, more = struct.unpack_from(">6B", iloc)
    offset_size, length_size, base_size = sizes >> 4, sizes & 15, more >> 4
    index_size = more & 15 if version in (1, 2) else 0
    wide = version >= 2
    (count,) = struct.unpack_from(">I" if wide else ">H", iloc, 6)
    at = 10 if wide else 8

    def number(size: int) -> int:
        nonlocal at
        if at + size > len(iloc):
            raise ValueError("its list of places is cut short")
        value = int.from_bytes(iloc[at : at + size], "big")
        at += size
        return value

    for _ in range(count):
        item = number(4 if wide else 2)
        method = number(2) & 15 if version in (1, 2) else 0
        number(2)  # of the file that it is in: this one
        base = number(base_size)
        pieces = number(2)
        for k in range(pieces):
            number(index_size)
            start, length = number(offset_size), number(length_size)
            if k == 0 and pieces == 1 and method == 0:
                yield item, base + start, length
