"""What a DNG says of its pixels that LibRaw does not: cut short, in JPEG XL, to be corrected."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import tifffile

from limbward.camera.frame import RawFrame, UnreadableFrame
from limbward.camera.opcodes import LIST_2, Window, corrected, listed

PHOTOMETRIC, CFA, LINEAR_RAW = 262, 32803, 34892
NEW_SUBFILE_TYPE, ACTIVE_AREA = 254, 50829
LOSSY_JPEG = 34892  # Compression
MOST_PAGES = 16
JPEG_XL = (50002, 52546)  # Compression, of TIFF in use and of DNG 1.7


def check_dng(path: Path) -> bool:
    """Raise if the pixels of a DNG are not all in the file; return whether they are in JPEG XL.

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
        return False  # damaged tags: what LibRaw makes of them is told elsewhere
    for _, end in said:
        if end > size:
            raise UnreadableFrame(
                f"{path.name} cannot be decoded: it is cut short, at byte {size} of {end}. Copy it "
                "again from the card, if it is whole there."
            )
    return any(compression in JPEG_XL for compression, _ in said)


def raw_page(tiff: tifffile.TiffFile) -> Any | None:
    """Return the page of a DNG that holds its RAW image at full size, None if there is none."""
    pages = [p for p in _raw_pages(tiff) if not p.tags.valueof(NEW_SUBFILE_TYPE, 0)]
    return max(pages, key=lambda p: int(p.imagelength) * int(p.imagewidth), default=None)


def with_corrections(path: Path, frame: RawFrame, corner: tuple[int, int] | None) -> RawFrame:
    """Return a frame with the corrections that its file lists for the sensor's values.

    Parameters
    ----------
    path : Path
    frame : RawFrame
    corner : tuple of int or None
        Row and column of its first pixel among all that are stored; None for that of the active
        area.

    Raises
    ------
    UnreadableFrame
        As of `limbward.camera.opcodes.corrected`.
    """
    try:
        with tifffile.TiffFile(path) as tiff:
            page = raw_page(tiff)
            if page is None or not (lists := listed(page.tags)):
                return frame
            height, width = int(page.imagelength), int(page.imagewidth)
            lossy = int(page.compression) == LOSSY_JPEG
            area = page.tags.valueof(ACTIVE_AREA) or (0, 0, height, width)
            top, left, bottom, right = (int(n) for n in area)
    except (tifffile.TiffFileError, ValueError, IndexError, KeyError, ZeroDivisionError, TypeError):
        return frame  # damaged tags; LibRaw has read the pixels all the same
    if lossy:  # LibRaw has applied the polynomials of list 2, which is all that such files have
        lists.pop(LIST_2, None)
    row, column = corner or (top, left)
    stored = Window(row, column, height, width)
    active = Window(row - top, column - left, bottom - top, right - left)
    return corrected(path.name, frame, lists, stored, active)


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
