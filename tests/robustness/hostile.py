"""A card of everything that may go wrong with files."""

from __future__ import annotations

import os
import socket
import struct
from pathlib import Path

import numpy as np
from astropy.io import fits

from tests.camera.files import dng, jpeg, noise, ratio

SHAPE = (96, 128)


def disc(seed: int = 1) -> np.ndarray:
    """Return a frame of an even disc, which is measured as the Sun through a filter."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = 8000.0 / (1 + np.exp((np.hypot(x - 63.2, y - 47.9) - 30) / 0.5))
    values = rng.poisson(light * 2.0) / 2.0 + rng.normal(512, 4.0, SHAPE)
    return np.clip(values, 0, 15800).astype(np.uint16)


def tiff(entries: list[tuple[int, int, int, int]], following: int = 0, tail: bytes = b"") -> bytes:
    """Return a little-endian TIFF of one directory of (tag, type, count, value or offset)."""
    body = struct.pack("<HHI", 0x4949, 42, 8) + struct.pack("<H", len(entries))
    for entry in entries:
        body += struct.pack("<HHII", *entry)
    return body + struct.pack("<I", following) + tail


LONG, SHORT, ASCII, RATIONAL = 4, 3, 2, 5
IMAGE = [(256, LONG, 1, 64), (257, LONG, 1, 48), (258, SHORT, 1, 16), (262, SHORT, 1, 32803)]


def broken_files(folder: Path) -> dict[str, bytes]:
    """Return files by name whose content is broken in one way each."""
    whole = dng(folder / "whole.dng", disc()).read_bytes()
    (folder / "whole.dng").unlink()
    strip = [(273, LONG, 1, 200), (279, LONG, 1, 6144)]
    header = (
        b"SIMPLE  =                    T".ljust(80)
        + b"BITPIX  =                   16".ljust(80)
        + b"NAXIS   =                    2".ljust(80)
        + b"NAXIS1  =                60000".ljust(80)
        + b"NAXIS2  =                60000".ljust(80)
        + b"END".ljust(80)
    ).ljust(2880)
    return {
        "zero.NEF": b"",
        "cut01.DNG": whole[: len(whole) // 100],
        "cut50.DNG": whole[: len(whole) // 2],
        "cut99.DNG": whole[: len(whole) * 99 // 100],
        "random.NEF": np.random.default_rng(1).bytes(5000),
        "text.CR3": b"<script>alert(1)</script>" * 50,
        "loop.TIF": tiff([*IMAGE, *strip], following=8),
        "loop.DNG": tiff([*IMAGE, *strip, (330, LONG, 1, 8)], following=8),
        "exif-loop.DNG": tiff([*IMAGE, *strip, (34665, LONG, 1, 8)], following=8),
        "outside.TIF": tiff([*IMAGE, (273, LONG, 1, 2**31), (279, LONG, 1, 6144)]),
        "outside.DNG": tiff([*IMAGE, *strip, (271, ASCII, 50, 2**32 - 8)], following=2**32 - 100),
        "huge-count.DNG": tiff([*IMAGE, (271, ASCII, 2**32 - 1, 8), (282, RATIONAL, 2**31, 8)]),
        "four-gib.DNG": tiff([*IMAGE, (273, LONG, 1, 200), (279, LONG, 1, 2**32 - 1)]),
        "four-gib.TIF": tiff([*IMAGE, (273, LONG, 1, 200), (279, LONG, 1, 2**32 - 1)]),
        "vast.DNG": tiff(
            [(256, LONG, 1, 60000), (257, LONG, 1, 60000), *IMAGE[2:], *strip, (277, SHORT, 1, 1)],
            tail=bytes(7000),
        ),
        "vast.FITS": header,
        "box.CR3": struct.pack(">I4sQ", 1, b"ftyp", 2**63) + bytes(100),
        "wrapped.RAF": b"FUJIFILMCCD-RAW ".ljust(84, b"\0") + struct.pack(">II", 2**31, 2**32 - 1),
        "half.FITS": header[:1000],
    }


def sound_files(folder: Path) -> None:
    """Write frames that can be measured, though something about them is odd."""
    dng(folder / "good.DNG", disc())
    dng(folder / "name with spaces.DNG", disc(2))
    dng(folder / "שלום.DNG", disc(3))
    deep = folder.joinpath(*(f"{100 + n}DEEPA" for n in range(10)))
    dng(deep / "DEEP0001.DNG", disc(4))
    fits.writeto(folder / "nan.FITS", np.where(disc(5) > 4000, np.nan, 1.0).astype(np.float32))
    fits.writeto(folder / "all-nan.FITS", np.full(SHAPE, np.nan, np.float32))
    dng(folder / "mischief.DNG", disc(6), make="<script>alert(1)</script>", model="\x1b[2J[/x]")


def odd_tags(folder: Path) -> None:
    """Write JPEGs whose Exif makes no sense."""
    date, exposure = 0x9003, 0x829A
    jpeg(folder / "zero-date.JPG", {date: "0000:00:00 00:00:00", exposure: ratio(1, 100)})
    jpeg(folder / "exposure-0.JPG", {date: "2026:08:12 17:45:00", exposure: ratio(0, 1)})
    jpeg(folder / "exposure-inf.JPG", {date: "2026:08:12 17:45:00", exposure: ratio(1, 0)})
    jpeg(folder / "script.JPG", image={0x013B: "<script>alert(2)</script>", 0x010F: "<b>Make"})


def odd_names(folder: Path) -> None:
    """Write files whose names cannot stand in a table."""
    for name in (b"new\nline.DNG", b"no-utf8-\xff.DNG", "line\u2028end.DNG".encode(), b"end .DNG "):
        with open(os.fsencode(folder) + b"/" + name, "wb") as file:
            file.write(b"not read")


def odd_things(folder: Path) -> None:
    """Make links, pipes and sockets, named as frames are."""
    (folder / "dangling.DNG").symlink_to("nothing.DNG")
    (folder / "loop-link.DNG").symlink_to("loop-link.DNG")
    (folder / "loop-folder").symlink_to(folder)
    (folder / "endless.DNG").symlink_to("/dev/zero")
    os.mkfifo(folder / "pipe.DNG")
    with socket.socket(socket.AF_UNIX) as bound:
        here = os.getcwd()
        os.chdir(folder)  # the path of a socket must be short
        bound.bind("socket.DNG")
        os.chdir(here)


def hostile_card(folder: Path, unrelated: int = 40) -> dict[str, bytes]:
    """Fill a folder with all of these and with unrelated files; return the broken ones."""
    folder.mkdir(parents=True)
    broken = broken_files(folder)
    for name, content in broken.items():
        (folder / name).write_bytes(content)
    sound_files(folder)
    odd_tags(folder)
    odd_names(folder)
    odd_things(folder)
    for number in range(unrelated):
        (folder / f"unrelated-{number}.txt").write_text(f"note {number}")
    dng(folder / "noise.DNG", noise(SHAPE))
    return broken
