"""SER films written byte by byte from the published table of the format (version 3).

Offsets and sizes of the header: 0 file id (14), 14 LuID, 18 ColorID, 22 LittleEndian, 26 width,
30 height, 34 depth, 38 frames (4 each), 42 observer, 82 instrument, 122 telescope (40 each),
162 local time, 170 UTC (8 each), 178 the first picture. A tick is 100 ns; 1970 began at
621 355 968 000 000 000 ticks (a value that many programs' documentation gives).
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np

TICKS_1970 = 621_355_968_000_000_000
COLOURS = {
    "mono": 0, "RGGB": 8, "GRBG": 9, "GBRG": 10, "BGGR": 11,
    "CYYM": 16, "YCMY": 17, "YMCY": 18, "MYYC": 19, "RGB": 100, "BGR": 101,
}  # fmt: skip


def ticks(time: datetime) -> int:
    since = time.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    micros = (since.days * 86400 + since.seconds) * 1_000_000 + since.microseconds
    return TICKS_1970 + 10 * micros


def header(
    shape, count, depth, colour="mono", *, flag=0, local=0, utc=0, instrument="Meridian P1"
) -> bytes:
    height, width = shape[:2]
    block = bytearray(178)
    block[0:14] = b"LUCAM-RECORDER"
    numbers = (0, COLOURS.get(colour, colour), flag, width, height, depth, count)
    for k, value in enumerate(numbers):
        block[14 + 4 * k : 18 + 4 * k] = int(value).to_bytes(4, "little", signed=True)
    for at, text in ((42, "A. Nobody"), (82, instrument), (122, "80 mm refractor")):
        block[at : at + len(text)] = text.encode()
    block[162:170] = int(local).to_bytes(8, "little")
    block[170:178] = int(utc).to_bytes(8, "little")
    return bytes(block)


def write_ser(
    path, pictures, depth=16, colour="mono", *, stamps=None, order="<", count=None, **more
) -> None:
    """Write a film; ``pictures`` may be a generator if ``count`` is given."""
    with path.open("wb") as file:
        file.write(b"\0" * 178)
        shape, written = None, 0
        for picture in pictures:
            picture = np.asarray(picture)
            shape = picture.shape
            file.write(picture.astype("u1" if depth <= 8 else f"{order}u2").tobytes())
            written += 1
        if stamps is not None:
            for stamp in stamps:
                value = stamp if isinstance(stamp, int) else ticks(stamp)
                file.write(value.to_bytes(8, "little"))
        file.seek(0)
        file.write(header(shape, written if count is None else count, depth, colour, **more))
