"""Pictures made small enough to stand in the page."""

from __future__ import annotations

import base64
import io
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from limbward.errors import LimbwardError

# Previews may take this much of the file together; base64 makes 4 bytes of every 3.
PREVIEW_BYTES = 7_000_000
SMALLER_PX = 180


@dataclass(frozen=True)
class Picture:
    """A picture as a data URI, with its size in pixels."""

    uri: str
    width: int
    height: int


def jpeg_picture(data: bytes, size: tuple[int, int]) -> Picture:
    """Return a JPEG in memory as a picture of the page."""
    return Picture(_uri(data), *size)


def embed(path: Path, long_side: int, quality: int) -> Picture:
    """Return a picture as a JPEG of at most ``long_side`` pixels.

    Raises
    ------
    LimbwardError
        If it cannot be read.
    """
    try:
        with warnings.catch_warnings():
            # Pillow warns of pictures above 89 megapixels, which cameras do make.
            warnings.simplefilter("ignore", Image.DecompressionBombWarning)
            with Image.open(path) as image:
                # Not converted where it need not be: of 100 megapixels that is a copy of 0.4 GB.
                picture = image if image.mode == "RGB" else image.convert("RGB")
                picture.thumbnail((long_side, long_side), Image.Resampling.LANCZOS)
                picture.load()  # one that was small enough has not been read yet
    except OSError as error:
        raise LimbwardError(f"{path} cannot be read ({error}); delete it and run again.") from error
    buffer = io.BytesIO()
    picture.save(buffer, format="JPEG", quality=quality, optimize=True, progressive=True)
    return Picture(_uri(buffer.getvalue()), *picture.size)


def embed_previews(paths: Sequence[Path | None]) -> list[Picture | None]:
    """Return previews as they are, or smaller if they are too many; None where there is none."""
    there = [path if path is not None and path.is_file() else None for path in paths]
    total = sum(path.stat().st_size for path in there if path)
    if total > PREVIEW_BYTES:
        return [embed(path, SMALLER_PX, 70) if path else None for path in there]
    return [_as_it_is(path) if path else None for path in there]


def _as_it_is(path: Path) -> Picture:
    try:
        with Image.open(path) as image:
            if image.format != "JPEG":
                return embed(path, max(image.size), 85)
            size = image.size
    except OSError as error:
        raise LimbwardError(f"{path} cannot be read ({error}); delete it and run again.") from error
    return Picture(_uri(path.read_bytes()), *size)


def _uri(jpeg: bytes) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode('ascii')}"
