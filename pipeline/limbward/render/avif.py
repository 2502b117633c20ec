"""AVIF stills in high dynamic range, with their caption.

References
----------
ISO/IEC 14496-12 and 23008-12 (boxes and items of a still), the AVIF specification 1.1 of the
Alliance for Open Media, ITU-T H.273 (the numbers of primaries, transfer and matrix).
"""

from __future__ import annotations

import struct
from os import PathLike

import numpy as np
from numpy.typing import NDArray

from limbward.errors import ConfigError
from limbward.render.hdr import BITS

BT2020, PQ, BT2020_MATRIX = 9, 16, 9  # of H.273
QUALITY = 90  # of 100: banding in the dark sky shows at 80
SPEED = 6
KIND = b"application/rdf+xml"


def encoder() -> None:
    """Raise unless the library that writes AVIF is there.

    Raises
    ------
    ConfigError
        With what to do.
    """
    try:
        from imagecodecs import AVIF

        there = bool(AVIF.available)
    except ImportError:
        there = False
    if not there:
        raise ConfigError(
            "Stills in high dynamic range need a library that writes AVIF: install it with "
            "`pip install limbward[hdr]`, or export as .jpg, .png or .tif."
        )


def write_avif(path: str | PathLike[str], codes: NDArray[np.uint16], packet: str) -> None:
    """Write PQ codes of BT.2020 colours as AVIF of 10 bits, without subsampled colours.

    Parameters
    ----------
    path : path
    codes : ndarray of uint16, shape (H, W, 3)
        As `limbward.render.hdr.hdr_codes` returns them.
    packet : str
        XMP.
    """
    from imagecodecs import avif_encode

    data = avif_encode(
        codes,
        level=QUALITY,
        speed=SPEED,
        bitspersample=BITS,
        pixelformat="444",
        primaries=BT2020,
        transfer=PQ,
        matrix=BT2020_MATRIX,
    )
    with open(path, "wb") as file:
        file.write(with_xmp(bytes(data), packet.encode()))


def with_xmp(still: bytes, packet: bytes) -> bytes:
    """Return a still of one item with XMP as a second one, which describes the first.

    Raises
    ------
    ValueError
        If the file is laid out otherwise than one picture needs.
    """
    boxes = dict(_boxes(still, 0, len(still)))
    begin, end = boxes[b"meta"]
    inner = _boxes(still, begin + 12, end)  # behind size, name, version and flags
    parts = {name: still[a:b] for name, (a, b) in inner}
    place, names = parts[b"iloc"], parts[b"iinf"]
    # Version 0, four bytes each for offset and length, one item in one piece; one entry.
    plain = place[8:16] == bytes.fromhex("0000000044000001") and len(place) == 30
    if not plain or names[8:14] != bytes.fromhex("000000000001"):
        raise ValueError("the still is laid out otherwise than expected")
    item, _, _, offset, length = struct.unpack(">HHHII", place[16:])
    extra = item + 1
    told = struct.pack(">BxxxHH", 2, extra, 0) + b"mime\0" + KIND + b"\0"
    parts[b"iinf"] = _box(b"iinf", struct.pack(">IH", 0, 2) + names[14:] + _box(b"infe", told))
    link = _box(b"iref", bytes(4) + _box(b"cdsc", struct.pack(">HHH", extra, 1, item)))
    grown = len(parts[b"iinf"]) - len(names) + len(link) + 14
    at = struct.pack(">HHHII", item, 0, 1, offset + grown, length)
    at += struct.pack(">HHHII", extra, 0, 1, len(still) + grown + 8, len(packet))
    parts[b"iloc"] = _box(b"iloc", bytes.fromhex("0000000044000002") + at)
    parts[b"iinf"] += link
    meta = _box(b"meta", bytes(4) + b"".join(parts.values()))
    return still[:begin] + meta + still[end:] + _box(b"mdat", packet)


def _box(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", 8 + len(data)) + name + data


def _boxes(data: bytes, begin: int, end: int) -> list[tuple[bytes, tuple[int, int]]]:
    """Return names, first bytes and ends of the boxes in a part of a file."""
    found = []
    while begin < end:
        (size,) = struct.unpack_from(">I", data, begin)
        if size < 8 or begin + size > end:
            raise ValueError("the still is laid out otherwise than expected")
        found.append((data[begin + 4 : begin + 8], (begin, begin + size)))
        begin += size
    return found
