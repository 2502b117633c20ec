"""SER films: the uncompressed pictures of a planetary camera behind a header of 178 bytes.

The published format, version 3 (H. Wilkens and G. Hahn, *SER format description*, 2014): a header,
the pictures one after the other, the first row on top, and, if the program wrote it, a trailer with
the time of each in UTC. Whole numbers are little-endian; times count 100 ns from the beginning of
the year 1.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.camera.frame import BLUE, GREEN, RED, RawFrame, linear_frame
from limbward.camera.shot import PLAUSIBLE_YEARS, plain_text
from limbward.errors import UnreadableFile

MAGIC = b"LUCAM-RECORDER"
HEADER = struct.Struct("<14s7i40s40s40sqq")
LARGEST = 100_000_000  # pixels of a picture, more than any sensor that films
KIND_BITS = 0x3FFF_FFFF_FFFF_FFFF  # some programs mark UTC in the two bits above a time
ZERO = np.datetime64("0001-01-01T00:00:00", "us")
FLAT = 1.2  # by which one order of bytes must be rougher than the other to be the wrong one
LOOKED_AT = 5  # pictures that tell the order of bytes and the range
OUT_OF_ORDER = 0.01  # share of the stamps before which they are believed
SAME_START_S = 60.0  # within which the first stamp and the header's time are the same instant
QUARTER_HOUR_S = 900.0

MOSAICS = {
    8: (RED, GREEN, GREEN, BLUE),
    9: (GREEN, RED, BLUE, GREEN),
    10: (GREEN, BLUE, RED, GREEN),
    11: (BLUE, GREEN, GREEN, RED),
}
MONO, COMPLEMENTARY, RGB, BGR = 0, (16, 17, 18, 19), 100, 101


class UnreadableFilm(UnreadableFile):
    """A file that should be a SER film cannot be read as one."""


@dataclass(frozen=True)
class SerFilm:
    """A SER film.

    Attributes
    ----------
    path : Path
    width, height : int
        Of its pictures as they are decoded, pixels.
    planes : int
        1, or 3 for colour pictures that are no mosaic.
    bgr : bool
        Whether the colours are in the order blue, green, red.
    pattern : ndarray of int8
        As in `RawFrame`.
    summed : bool
        Whether each pixel is the sum of four of a mosaic of cyan, yellow and magenta.
    dtype : dtype
        Of a number in the file, its order of bytes with it.
    white : float
        Level at which a pixel is saturated.
    pictures : int
        Whole ones in the file.
    declared : int
        Number by the header.
    begun, begun_utc : datetime or None
        When the film began by the clock of the wall and in UTC, by the header.
    stamps : ndarray of datetime64[us], shape (pictures,)
        UTC of each picture by the trailer, NaT where it is not known.
    observer, instrument, telescope : str
    notes : tuple of str
    """

    path: Path
    width: int
    height: int
    planes: int
    bgr: bool
    pattern: NDArray[np.int8]
    summed: bool
    dtype: np.dtype[np.unsignedinteger]
    white: float
    pictures: int
    declared: int
    begun: datetime | None
    begun_utc: datetime | None
    stamps: NDArray[np.datetime64]
    observer: str
    instrument: str
    telescope: str
    notes: tuple[str, ...] = ()

    @property
    def stored(self) -> tuple[int, int, int]:
        """Rows, columns and planes of a picture in the file."""
        n = 2 if self.summed else 1
        return n * self.height, n * self.width, self.planes

    def frames(self, which: Iterable[int]) -> Iterator[RawFrame]:
        """Yield pictures by their numbers, from 0; only one is held at a time.

        They are read, not mapped: a file that is cut while it is read ends the film, where a
        mapping would end the process.
        """
        rows, columns, planes = self.stored
        count = rows * columns * planes
        with self.path.open("rb") as stream:
            for number in which:
                stream.seek(HEADER.size + number * count * self.dtype.itemsize)
                data = np.fromfile(stream, self.dtype, count)
                if data.size < count:
                    return
                yield self._frame(data.reshape(self.stored))

    def _frame(self, stored: NDArray[np.unsignedinteger]) -> RawFrame:
        values = stored.astype(np.uint16)
        if self.planes == 3:
            values = np.moveaxis(values[..., ::-1] if self.bgr else values, -1, 0)
            return linear_frame(np.ascontiguousarray(values), self.white)
        plane = values[..., 0]
        if self.summed:
            cells = plane.reshape(self.height, 2, self.width, 2)
            return linear_frame(cells.astype(np.float32).sum(axis=(1, 3)), 4.0 * self.white)
        return linear_frame(plane, self.white, self.pattern)


def read_ser(path: Path) -> SerFilm:
    """Return what a SER film holds; its pictures are read by `SerFilm.frames`.

    Raises
    ------
    UnreadableFilm
        If it is none, or has no whole picture.
    OSError
        If the file cannot be reached.

    Notes
    -----
    The header says in which order the two bytes of a number are, but programs disagree on which
    value means which. The pictures tell: in the wrong order neighbours differ wildly. Where they do
    not tell (all black), numbers are little-endian, as nearly all programs write them.
    """
    name = path.name
    with path.open("rb") as stream:
        size = stream.seek(0, 2)
        stream.seek(0)
        raw = stream.read(HEADER.size)
    if len(raw) < HEADER.size or raw[:14] != MAGIC:
        raise UnreadableFilm(f"{name} is not a SER video; its header is damaged or missing.")
    _, _, colour, _, width, height, depth, declared, *rest = HEADER.unpack(raw)
    observer, instrument, telescope = (
        plain_text(text.split(b"\0")[0].decode("utf-8", "replace")) for text in rest[:3]
    )
    _check(name, colour, width, height, depth)
    planes = 3 if colour in (RGB, BGR) else 1
    summed = colour in COMPLEMENTARY
    item = 1 if depth <= 8 else 2
    picture = width * height * planes * item
    notes = []
    there = (size - HEADER.size) // picture
    pictures = there if declared <= 0 else min(declared, there)
    if pictures < 1:
        raise UnreadableFilm(f"{name} holds no whole picture; it was cut off at its start.")
    if declared <= 0:
        notes.append(
            f"{name} does not say how many frames it has: its recording was cut short. "
            f"{pictures} are there."
        )
    elif pictures < declared:
        notes.append(f"{name} is cut off: {pictures} of {declared} frames are there.")
    if summed:
        notes.append(
            f"{name} has a mosaic of cyan, yellow and magenta; four pixels are added up to one "
            "without colour."
        )
    tile = MOSAICS.get(colour)
    pattern = np.array([[GREEN]] if planes == 1 else np.empty((0, 0)), np.int8)
    film = SerFilm(
        path=path,
        width=width // 2 if summed else width,
        height=height // 2 if summed else height,
        planes=planes,
        bgr=colour == BGR,
        pattern=pattern if tile is None else np.array(tile, np.int8).reshape(2, 2),
        summed=summed,
        dtype=np.dtype("u1" if item == 1 else "<u2"),
        white=2.0**depth - 1.0,
        pictures=pictures,
        declared=declared,
        begun=_instant(rest[3]),
        begun_utc=_instant(rest[4]),
        stamps=np.full(pictures, np.datetime64("NaT"), "datetime64[us]"),
        observer=observer,
        instrument=instrument,
        telescope=telescope,
    )
    film, said = _ordered(film)
    stamps, more = _stamps(film, HEADER.size + max(declared, 0) * picture)
    return replace(film, stamps=stamps, notes=(*notes, *said, *more))


def _check(name: str, colour: int, width: int, height: int, depth: int) -> None:
    if not (width > 0 and height > 0 and width * height <= LARGEST):
        raise UnreadableFilm(
            f"{name} declares frames of {width} x {height} pixels; its header is damaged."
        )
    if not 1 <= depth <= 16:
        raise UnreadableFilm(f"{name} declares {depth} bits per pixel; 1 to 16 are possible.")
    if colour not in (MONO, RGB, BGR, *MOSAICS, *COMPLEMENTARY):
        raise UnreadableFilm(f"{name} has the unknown colour format {colour}.")


def _ordered(film: SerFilm) -> tuple[SerFilm, list[str]]:
    """Return the film with its numbers' order of bytes and range as its pictures show them."""
    if film.dtype.itemsize == 1:
        return film, []
    rows, columns, planes = film.stored
    count = rows * columns * planes
    rough, top = np.zeros(2), np.zeros(2)
    orders = (np.dtype("<u2"), np.dtype(">u2"))
    with film.path.open("rb") as stream:
        for number in np.unique(np.linspace(0, film.pictures - 1, LOOKED_AT).astype(int)):
            stream.seek(HEADER.size + int(number) * count * 2)
            data = stream.read(2 * count)
            for k, order in enumerate(orders):
                values = np.frombuffer(data, order).reshape(film.stored)
                rough[k] += np.abs(np.diff(values.astype(np.float32), axis=1)).mean()
                top[k] = max(top[k], values.max())
    k = 1 if rough[0] > FLAT * rough[1] else 0
    if top[k] > film.white:
        said = (
            f"{film.path.name} declares {np.log2(film.white + 1):.0f} bits per pixel, but its "
            "numbers fill 16; they are taken as such."
        )
        return replace(film, dtype=orders[k], white=65535.0), [said]
    return replace(film, dtype=orders[k]), []


def _instant(ticks: int) -> datetime | None:
    """Return a time of the format, or None if no camera of today can have written it."""
    try:
        time = datetime(1, 1, 1) + timedelta(microseconds=(ticks & KIND_BITS) // 10)
    except OverflowError:
        return None
    return time if PLAUSIBLE_YEARS[0] <= time.year < PLAUSIBLE_YEARS[1] else None


def _stamps(film: SerFilm, at: int) -> tuple[NDArray[np.datetime64], list[str]]:
    """Return the times in the trailer that begins at a byte, and what is to be said of them."""
    none = film.stamps
    if film.pictures < film.declared or film.declared <= 0:
        return none, []  # what lies there is no trailer
    with film.path.open("rb") as stream:
        stream.seek(at)
        ticks = np.fromfile(stream, "<i8", film.pictures)
    if not ticks.any():
        return none, []
    micros = np.clip((ticks & KIND_BITS) // 10, 0, 10**17)
    stamps = none.copy()
    stamps[: ticks.size] = ZERO + micros.astype("timedelta64[us]")
    years = stamps[: ticks.size].astype("datetime64[Y]").astype(int) + 1970
    if np.any((years < PLAUSIBLE_YEARS[0]) | (years >= PLAUSIBLE_YEARS[1])):
        return none, [f"{film.path.name} has time stamps that cannot be real; they are not used."]
    backwards = np.mean(np.diff(micros) < 0) if micros.size > 1 else 0.0
    if backwards > OUT_OF_ORDER:
        return none, [
            f"{film.path.name} has time stamps that go back and forth; they are not used."
        ]
    said = []
    if ticks.size < film.pictures:
        said.append(f"{film.path.name}: the last {film.pictures - ticks.size} time stamps are cut.")
    zone = _zone(film, stamps[0].astype(object))
    if zone:
        said.append(
            f"{film.path.name} has time stamps in local time; {zone.total_seconds() / 3600.0:+g} h "
            "are subtracted, as its header says."
        )
    return stamps - np.timedelta64(zone), said


def _zone(film: SerFilm, first: datetime) -> timedelta:
    """Return what stamps are ahead of UTC: nothing, unless the header shows that they are local."""
    if film.begun is None or film.begun_utc is None:
        return timedelta(0)
    ahead = (film.begun - film.begun_utc).total_seconds()
    ahead = QUARTER_HOUR_S * round(ahead / QUARTER_HOUR_S)
    local = abs((first - film.begun).total_seconds()) < SAME_START_S
    utc = abs((first - film.begun_utc).total_seconds()) < SAME_START_S
    return timedelta(seconds=ahead) if local and not utc else timedelta(0)
