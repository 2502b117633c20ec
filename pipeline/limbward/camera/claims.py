"""What a file claims to hold, against what it can hold: asked before memory is taken for it."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from math import prod
from pathlib import Path

from astropy.io import fits

from limbward.camera.frame import UnreadableFrame

MAX_PIXELS = 400_000_000  # the largest pixel-shift files
# Deflate, the strongest compression in common frames, cannot squeeze below 1/1032 (RFC 1951).
BEST_RATIO = 1032
# Photon noise alone keeps a frame above a tenth of its size, and an empty 8-bit dark of 100
# megapixels takes 100 MB; what unpacks to more, from next to nothing, is no photograph.
PLAUSIBLE_RATIO, SMALL = 40, 320_000_000
MOST_LOSSY = 400  # of JPEG XL, which smooths the noise away
GZIP = b"\x1f\x8b"
BLOCK = 2880  # bytes, of FITS
MOST_HEADERS = 16  # before the first image


def check_claim(
    path: Path,
    pixels: int,
    bytes_a_pixel: float,
    *,
    packed: bool = True,
    ratio: float = PLAUSIBLE_RATIO,
) -> None:
    """Raise if a file cannot hold the pixels that its header declares.

    Parameters
    ----------
    path : Path
    pixels : int
        Width times height.
    bytes_a_pixel : float
        Of all its colours, unpacked.
    packed : bool
        Whether the pixels are compressed; else all their bytes must be in the file.
    ratio : float
        By how much a photograph may shrink.

    Raises
    ------
    UnreadableFrame
    """
    size = path.stat().st_size
    claimed = pixels * bytes_a_pixel
    said = f"{path.name} declares {pixels / 1e6:.0f} megapixels in {size / 1e6:.2f} MB; "
    if pixels > MAX_PIXELS or claimed > size * (BEST_RATIO if packed else 1):
        raise UnreadableFrame(f"{said}its header is damaged, or part of it is missing.")
    if claimed > max(SMALL, ratio * size):
        raise UnreadableFrame(
            f"{said}it would unpack to {claimed / 1e9:.1f} GB, too much for a photograph of that "
            "size. If it is one, save it without compression."
        )


def packed_headers(path: Path) -> Iterator[fits.Header]:
    """Yield the headers of a gzip-compressed FITS file up to its first image; else none.

    Astropy unpacks the data behind a header to find the next one, be it gigabytes.

    Raises
    ------
    UnreadableFrame
        If the data behind a header are more than the file can hold.
    """
    with path.open("rb") as stream:
        if stream.read(2) != GZIP:
            return
    with gzip.open(path) as unpacked:
        for _ in range(MOST_HEADERS):
            header = fits.Header.fromfile(unpacked)
            shape = [int(header[f"NAXIS{n + 1}"]) for n in range(int(header["NAXIS"]))]
            values = prod(shape) if shape else 0
            width = abs(int(header["BITPIX"])) / 8
            image = len(shape) >= 2 and header.get("XTENSION", "IMAGE").strip() == "IMAGE"
            planes = prod(shape[2:]) if image else 1
            check_claim(path, values // max(1, planes), planes * width)
            yield header
            if image:
                return
            size = int((values + int(header.get("PCOUNT", 0))) * width)
            check_claim(path, size, 1)
            unpacked.seek(-(-size // BLOCK) * BLOCK, 1)
