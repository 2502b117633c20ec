"""Small files that claim, or unpack to, more than memory holds, and what a worker makes of them.

    python -m tests.robustness.bombs

measures each as ingest does, in a worker process, and ends with status 1 if one took more than
2 GB, took longer than a minute, or was not told to be unreadable.
"""

from __future__ import annotations

import argparse
import gzip
import re
import resource
import struct
import sys
import tempfile
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import tifffile

from limbward.camera.card import IMAGE_KINDS, find_files
from limbward.camera.frame import UnreadableFrame
from limbward.camera.raw import read_raw
from limbward.stages.measuring import Task, measure_all, measure_file
from limbward.work.executors import local_crew
from limbward.workspace.ingest_rows import Row
from tests.camera.files import dng, noise

MOST_BYTES = 2e9
HANG_S = 60.0
ASCII, LONG, SHORT, LONG8 = 2, 4, 3, 16
NONE, LZW, DEFLATE, PACKBITS, JPEG = 1, 5, 8, 32773, 7


def zeros(count: int) -> bytes:
    """Return so many zero bytes as deflate packs them, without holding them."""
    packer = zlib.compressobj(9)
    block = bytes(1 << 24)
    parts = [packer.compress(block) for _ in range(count // len(block))]
    return b"".join([*parts, packer.compress(bytes(count % len(block))), packer.flush()])


def tiff(
    tags: dict[int, tuple[int, list[int]]], pixels: bytes = b"", *, big: bool = False
) -> bytes:
    """Return a TIFF of one directory; tag 0 stands for where its pixels begin."""
    size = {ASCII: 1, SHORT: 2, LONG: 4, LONG8: 8}
    inline, entry = (8, "<HHQ") if big else (4, "<HHI")
    head = (
        struct.pack("<HHHHQ", 0x4949, 43, 8, 0, 16) if big else struct.pack("<HHI", 0x4949, 42, 8)
    )
    length = len(head) + (8 + 20 * len(tags) + 8 if big else 2 + 12 * len(tags) + 4)
    spare = sum(
        size[kind] * len(values)
        for kind, values in tags.values()
        if size[kind] * len(values) > inline
    )
    start, body, tail = length + spare, b"", b""
    for tag, (kind, values) in sorted(tags.items()):
        data = b"".join((start if v < 0 else v).to_bytes(size[kind], "little") for v in values)
        if len(data) > inline:
            place, tail = length + len(tail), tail + data
            data = place.to_bytes(inline, "little")
        body += struct.pack(entry, tag, kind, len(values)) + data.ljust(inline, b"\0")
    count = struct.pack("<Q" if big else "<H", len(tags))
    return head + count + body + bytes(8 if big else 4) + tail + pixels


def image(
    side: int,
    packed: bytes,
    compression: int,
    *,
    bits: int = 8,
    samples: int = 1,
    photometric: int = 1,
    tile: int = 0,
    counts: int | None = None,
    big: bool = False,
    more: dict[int, tuple[int, list[int]]] | None = None,
) -> bytes:
    """Return a TIFF of a square picture of one strip or tile."""
    many = len(packed) if counts is None else counts
    tags = {
        256: (LONG, [side]),
        257: (LONG, [side]),
        258: (SHORT, [bits] * samples),
        259: (SHORT, [compression]),
        262: (SHORT, [photometric]),
        277: (SHORT, [samples]),
    }
    if tile:
        tags |= {322: (LONG, [tile]), 323: (LONG, [tile]), 324: (LONG, [-1]), 325: (LONG, [many])}
    else:
        tags |= {273: (LONG, [-1]), 278: (LONG, [side]), 279: (LONG, [many])}
    return tiff(tags | (more or {}), packed, big=big)


CFA = {
    33421: (SHORT, [2, 2]),
    33422: (SHORT, [0, 1, 1, 2]),
    254: (LONG, [0]),
    271: (ASCII, list(b"Meridian\0")),
    272: (ASCII, list(b"Two\0")),
    50706: (LONG, [0x00000401]),
    50708: (ASCII, list(b"Meridian Two\0")),
}


def vast_dng(side: int) -> bytes:
    """Return a sound DNG of a small mosaic whose width and height were then written over."""
    with tempfile.TemporaryDirectory() as folder:
        path = dng(Path(folder) / "a.dng", noise((48, 64)))
        data = bytearray(path.read_bytes())
        with tifffile.TiffFile(path) as file:
            for page in file.pages:
                for one in [page, *(page.pages or [])]:
                    for tag in ("ImageWidth", "ImageLength", "RowsPerStrip"):
                        if one.photometric == 32803 and tag in one.tags:
                            found = one.tags[tag]
                            kind = "<H" if found.dtype == SHORT else "<I"
                            struct.pack_into(kind, data, found.valueoffset, side)
    return bytes(data)


def fits(side: int, bitpix: int = 16) -> bytes:
    """Return the header of a square FITS image."""
    cards = [
        f"SIMPLE  = {'T':>20}",
        f"BITPIX  = {bitpix:>20}",
        f"NAXIS   = {2:>20}",
        f"NAXIS1  = {side:>20}",
        f"NAXIS2  = {side:>20}",
        "END",
    ]
    text = "".join(card.ljust(80) for card in cards)
    return text.ljust(-(-len(text) // 2880) * 2880).encode()


def gzipped(head: bytes, count: int) -> bytes:
    """Return a gzip file of a header and so many zeros."""
    import io

    out = io.BytesIO()
    with gzip.GzipFile(fileobj=out, mode="wb", compresslevel=1, mtime=0) as file:
        file.write(head)
        block = bytes(1 << 24)
        for _ in range(count // len(block)):
            file.write(block)
        file.write(bytes(count % len(block)))
    return out.getvalue()


def tile_compressed(side: int) -> bytes:
    """Return a FITS file of one tile, gzip-compressed, of a square image of zeros."""
    packed = gzipped(b"", 2 * side * side)
    first = [f"SIMPLE  = {'T':>20}", f"BITPIX  = {8:>20}", f"NAXIS   = {0:>20}", "END"]
    primary = "".join(card.ljust(80) for card in first).ljust(2880).encode()
    cards = [
        "XTENSION= 'BINTABLE'",
        f"BITPIX  = {8:>20}",
        f"NAXIS   = {2:>20}",
        f"NAXIS1  = {8:>20}",
        f"NAXIS2  = {1:>20}",
        f"PCOUNT  = {len(packed):>20}",
        f"GCOUNT  = {1:>20}",
        f"TFIELDS = {1:>20}",
        "TTYPE1  = 'COMPRESSED_DATA'",
        f"TFORM1  = '1PB({len(packed)})'",
        f"ZIMAGE  = {'T':>20}",
        f"ZBITPIX = {16:>20}",
        f"ZNAXIS  = {2:>20}",
        f"ZNAXIS1 = {side:>20}",
        f"ZNAXIS2 = {side:>20}",
        f"ZTILE1  = {side:>20}",
        f"ZTILE2  = {side:>20}",
        "ZCMPTYPE= 'GZIP_1'",
        "END",
    ]
    header = "".join(card.ljust(80) for card in cards).ljust(2880).encode()
    data = struct.pack(">ii", len(packed), 0) + packed
    return primary + header + data.ljust(-(-len(data) // 2880) * 2880, b"\0")


def png(side: int) -> bytes:
    """Return a PNG of a square grey picture of zeros."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    head = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zeros(side * (side + 1))) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


def jpeg(side: int) -> bytes:
    """Return the headers of a JPEG of a square picture; its scan is missing."""
    frame = struct.pack(">HBHHB", 11, 8, side, side, 1) + b"\x01\x11\x00"
    table = b"\xff\xdb" + struct.pack(">HB", 67, 0) + bytes([16] * 64)
    return b"\xff\xd8" + table + b"\xff\xc0" + frame + b"\xff\xda\x00\x08\x01\x01\x00\x00\x3f\x00"


# By name: what builds it, and whether it must be told to be unreadable (what is no frame is only
# catalogued).
BOMBS: dict[str, tuple[Callable[[], bytes], bool]] = {
    "sparse.tif": (lambda: image(48000, b"", NONE, bits=16, counts=0), True),
    "sparse-double.tif": (
        lambda: image(
            16000, b"", NONE, bits=64, samples=3, photometric=2, more={339: (SHORT, [3] * 3)}
        ),
        True,
    ),
    "deflate.tif": (lambda: image(29000, zeros(29000 * 29000), DEFLATE), True),
    "deflate-400-megapixels.tif": (
        lambda: image(19900, zeros(2 * 19900 * 19900), DEFLATE, bits=16),
        True,
    ),
    # The picture is small; it is its one strip that unpacks to gigabytes.
    "strip.tif": (lambda: image(64, zeros(6_000_000_000), DEFLATE), True),
    "smaller-strip.tif": (lambda: image(64, zeros(1_600_000_000), DEFLATE), True),
    "small.fits.gz": (lambda: gzipped(fits(14000, -32), 4 * 14000 * 14000), True),
    "tile.tif": (lambda: image(64, zeros(60000 * 60000), DEFLATE, tile=60000), True),
    "packbits.tif": (lambda: image(30000, b"\x81\x00" * 7_000_000, PACKBITS), True),
    "lzw.tif": (lambda: image(40000, bytes(1000), LZW, bits=16), True),
    "big.tif": (lambda: image(2**20, b"", NONE, bits=16, counts=0, big=True), True),
    "jpeg.tif": (lambda: image(60000, jpeg(60000), JPEG), True),
    "pages.tif": (lambda: image(48000, b"", NONE, bits=16, counts=0) + bytes(9000), True),
    "vast.dng": (lambda: vast_dng(60000), True),
    "claims.dng": (
        lambda: image(30000, bytes(2000), NONE, bits=16, photometric=32803, more=CFA),
        True,
    ),
    "deflate.dng": (
        lambda: image(
            19000, zeros(2 * 19000 * 19000), DEFLATE, bits=16, photometric=32803, more=CFA
        ),
        True,
    ),
    "header.fits": (lambda: fits(60000), True),
    "zeros.fits.gz": (lambda: gzipped(fits(45000, -32), 8_100_000_000), True),
    "double.fit.gz": (lambda: gzipped(fits(19900, -64), 8 * 19900 * 19900), True),
    "tiles.fits.fz": (lambda: tile_compressed(13500), True),
    "zeros.png": (lambda: png(40000), False),
    "zeros.jpg": (lambda: jpeg(65000), True),
}
SLOW = ("zeros.fits.gz", "double.fit.gz", "strip.tif", "tile.tif", "zeros.png")  # to make
QUICK = tuple(name for name in BOMBS if name not in SLOW)


@dataclass(frozen=True)
class Blast:
    """What a bomb did: bytes that its worker held at most, seconds, phase and last note."""

    name: str
    size: int
    peak: int
    took_s: float
    phase: str
    note: str

    @property
    def ok(self) -> bool:
        """Whether it stayed small and quick, and was told of."""
        told = self.phase == ("unreadable" if BOMBS[self.name][1] else "other")
        return self.peak < MOST_BYTES and self.took_s < HANG_S and told and bool(self.note)


def peak_bytes() -> int:
    """Return the most memory that this process has held at once."""
    status = Path("/proc/self/status")
    if status.exists():  # what getrusage gives counts the parent's, too, from before the exec
        return 1024 * int(re.search(r"VmHWM:\s+(\d+)", status.read_text(encoding="utf-8"))[1])
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def measured(task: Task) -> Row:
    """Measure a file as ingest does, decode it as the merge does, and note the memory it took."""
    try:
        row = measure_file(task)
        if task.file.kind in IMAGE_KINDS:
            with suppress(UnreadableFrame):
                read_raw(task.file.path)
                row["note"].append("It was decoded.")
        return row
    finally:
        with (task.root / "peaks").open("a") as file:
            print(peak_bytes(), file=file)


def blast(root: Path, names: Sequence[str]) -> Iterator[Blast]:
    """Measure bombs one after the other in one worker, as ingest does."""
    card, workspace = root / "card", root / "workspace"
    card.mkdir(parents=True)
    workspace.mkdir()
    for name in names:
        (card / name).write_bytes(BOMBS[name][0]())
    tasks = {f.path.name: Task(f, workspace, 1.04) for f in find_files([card], root).files}
    begun = time.monotonic()
    for name, row in measure_all(tasks, local_crew(1), measured):
        took = time.monotonic() - begun
        peak = max(int(line) for line in (workspace / "peaks").read_text().split())
        size = (card / name).stat().st_size
        note = row["note"][-1] if row["note"] else ""
        yield Blast(name, size, peak, took, row["phase"], note)
        begun = time.monotonic()


def main() -> int:
    """Run the trial from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", default=list(BOMBS))
    ok = True
    with tempfile.TemporaryDirectory() as folder:
        for found in blast(Path(folder), parser.parse_args().names):
            ok &= found.ok
            print(
                f"{'ok ' if found.ok else 'BAD'} {found.name:26} {found.size / 1e6:7.3f} MB, peak "
                f"so far {found.peak / 1e9:.2f} GB, {found.took_s:5.1f} s, {found.phase}: "
                f"{found.note}",
                flush=True,
            )
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main())
