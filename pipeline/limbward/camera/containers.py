"""Where the Exif block lies in RAW files that are not TIFF files themselves."""

import struct
from collections.abc import Iterator
from io import BytesIO
from typing import BinaryIO

RAF_MAGIC = b"FUJIFILMCCD-RAW "
RAF_JPEG_POINTER = 84  # big-endian offset and length of the full-size JPEG that carries the Exif
BOX_CONTAINERS = (b"moov", b"uuid")
BOX_TIFF_BLOCKS = {b"CMT1": "Image", b"CMT2": "EXIF", b"CMT4": "GPS"}
MAX_BLOCK = 1 << 26  # 64 MiB: a longer block is a broken length field


def embedded_jpeg(stream: BinaryIO) -> BytesIO | None:
    """Return the JPEG that a RAF file wraps, or None if the stream is no such file."""
    stream.seek(0)
    header = stream.read(RAF_JPEG_POINTER + 8)
    if not header.startswith(RAF_MAGIC) or len(header) < RAF_JPEG_POINTER + 8:
        return None
    offset, length = struct.unpack(">II", header[RAF_JPEG_POINTER:])
    stream.seek(offset)
    return BytesIO(stream.read(min(length, MAX_BLOCK)))


def tiff_blocks(stream: BinaryIO) -> dict[str, BytesIO]:
    """Return the TIFF blocks of an ISO base media RAW file (ISO/IEC 14496-12 boxes).

    Such files keep the zeroth, the Exif and the GPS directory in three boxes, each of which is a
    small TIFF file of its own.

    Returns
    -------
    dict
        By directory, ``Image``, ``EXIF`` and ``GPS``; empty if the stream is no such file.
    """
    stream.seek(0)
    if stream.read(8)[4:] != b"ftyp":
        return {}
    end = stream.seek(0, 2)
    return {
        BOX_TIFF_BLOCKS[name]: BytesIO(_slice(stream, start, stop))
        for name, start, stop in _boxes(stream, 0, end)
        if name in BOX_TIFF_BLOCKS
    }


def _slice(stream: BinaryIO, start: int, stop: int) -> bytes:
    stream.seek(start)
    return stream.read(min(stop - start, MAX_BLOCK))


def _boxes(
    stream: BinaryIO, start: int, end: int, depth: int = 0
) -> Iterator[tuple[bytes, int, int]]:
    """Walk the boxes between two offsets, into the containers that lead to the Exif blocks."""
    while start + 8 <= end:
        stream.seek(start)
        size, name = struct.unpack(">I4s", stream.read(8))
        body = start + 8
        if size == 1:  # the length follows in 64 bits
            (size,) = struct.unpack(">Q", stream.read(8).ljust(8, b"\0"))
            body += 8
        elif size == 0:  # the box reaches to the end
            size = end - start
        stop = min(start + size, end)
        if stop <= body:
            return
        if name in BOX_CONTAINERS and depth < 3:
            inner = body + 16 if name == b"uuid" else body  # 16 bytes of identifier come first
            yield from _boxes(stream, inner, stop, depth + 1)
        else:
            yield name, body, stop
        start = stop
