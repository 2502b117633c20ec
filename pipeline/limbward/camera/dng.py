"""What a DNG says of its pixels that LibRaw does not: that they are cut short, or in JPEG XL."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import tifffile

from limbward.camera.frame import UnreadableFrame

PHOTOMETRIC, CFA, LINEAR_RAW = 262, 32803, 34892
MOST_PAGES = 16
JPEG_XL = (50002, 52546)  # Compression, of TIFF in use and of DNG 1.7


def check_dng(path: Path) -> None:
    """Raise if the pixels of a DNG are not all in the file, or in a code that is not decoded.

    LibRaw reads what lies behind the end of the file as zeros and says nothing.

    Raises
    ------
    UnreadableFrame
    """
    size = path.stat().st_size
    try:
        with tifffile.TiffFile(path) as tiff:
            said = [
                (int(page.compression), max(map(sum, _pieces(page)), default=0))
                for page in _raw_pages(tiff)
            ]
    except (tifffile.TiffFileError, ValueError, IndexError, KeyError, ZeroDivisionError, TypeError):
        return  # damaged tags: what LibRaw makes of them is told elsewhere
    for compression, end in said:
        if compression in JPEG_XL:
            raise UnreadableFrame(
                f"{path.name} cannot be decoded: its pixels are in JPEG XL. Convert it to a DNG "
                "with lossless JPEG compression, or without compression."
            )
        if end > size:
            raise UnreadableFrame(
                f"{path.name} cannot be decoded: it is cut short, at byte {size} of {end}. Copy it "
                "again from the card, if it is whole there."
            )


def _pieces(page: Any) -> Iterator[tuple[int, int]]:
    """Yield start and length of each strip or tile."""
    yield from zip(page.dataoffsets, page.databytecounts, strict=True)


def _raw_pages(tiff: tifffile.TiffFile) -> Iterator[Any]:
    # Directories may lead to one another in a circle; no camera writes so many.
    for first in islice(tiff.pages, MOST_PAGES):
        for page in [first, *islice(getattr(first, "pages", None) or [], MOST_PAGES)]:
            tags = getattr(page, "tags", None)
            if tags is not None and tags.valueof(PHOTOMETRIC) in (CFA, LINEAR_RAW):
                yield page
