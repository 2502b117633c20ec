"""Copies of a finished picture for the web, print and screens: resampled, sharpened, captioned."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from os import PathLike
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter

from limbward.compiled import in_threads
from limbward.errors import ConfigError
from limbward.render.crop import to_ratio
from limbward.render.space import SRGB, Space
from limbward.render.writers import IN_ASCII, Caption, plain, to_8_bits, write_png, write_tiff, xmp

Pixels = NDArray[np.float32]
Kind = Literal["tif", "jpg", "png", "avif"]

LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)  # ITU-R BT.709, of encoded values
LARGEST_PX = 20_000
SMALLEST_PX = 16
SHARPEN_PX = 0.7  # standard deviation of the unsharp mask: what resampling has softened
# Paper swallows more than a screen: ink spreads, and a print is seen from further away.
SHARPEN = {"screen": 0.45, "print": 0.8}
QUALITY = 92


@dataclass(frozen=True)
class Size:
    """How large a copy is, and of what kind.

    Attributes
    ----------
    name : str
        As it was asked for, and in the file's name.
    longest : int or None
        Pixels of the longer side; the picture is not enlarged for it.
    exact : (int, int) or None
        Width and height, filled: what sticks out at two sides is cut off.
    kind : str
        ``tif`` (16 bits), ``jpg``, ``png``, or ``avif``, which is in high dynamic range.
    purpose : str
        ``screen``, ``print`` or ``full``, which is not sharpened.
    dpi : int
    """

    name: str
    longest: int | None
    exact: tuple[int, int] | None
    kind: Kind
    purpose: Literal["screen", "print", "full"]
    dpi: int = 96


NAMED = {
    "full": Size("full", None, None, "tif", "full", 300),
    "web": Size("web", 2048, None, "jpg", "screen"),
    "web-small": Size("web-small", 1200, None, "jpg", "screen"),
    "print-a4": Size("print-a4", 3508, None, "jpg", "print", 300),
    "print-a3": Size("print-a3", 4961, None, "jpg", "print", 300),
    "print-a2": Size("print-a2", 7016, None, "jpg", "print", 300),
    "wallpaper": Size("wallpaper", None, (3840, 2160), "jpg", "screen"),
    "wallpaper-tall": Size("wallpaper-tall", None, (1440, 3120), "jpg", "screen"),
    "square": Size("square", None, (2160, 2160), "jpg", "screen"),
}
ABOUT = {
    "full": "all pixels, 16 bits per colour",
    "web": "2048 pixels, for a page or a message",
    "web-small": "1200 pixels",
    "print-a4": "30 cm at 300 dpi",
    "print-a3": "42 cm at 300 dpi",
    "print-a2": "59 cm at 300 dpi",
    "wallpaper": "3840 x 2160 pixels",
    "wallpaper-tall": "1440 x 3120 pixels, for a phone",
    "square": "2160 x 2160 pixels",
}
KINDS: dict[str, Kind] = {
    "tif": "tif", "tiff": "tif", "jpg": "jpg", "jpeg": "jpg", "png": "png", "avif": "avif",
}  # fmt: skip


def parse_size(text: str) -> Size:
    """Return the size that a text names: ``web``, ``2000``, ``1920x1080``, ``print-a4.png``.

    Raises
    ------
    ConfigError
        If it names none.

    Examples
    --------
    >>> parse_size("1920x1080.png").exact
    (1920, 1080)
    >>> parse_size("web").longest
    2048
    """
    stem, dot, ending = text.strip().lower().partition(".")
    if dot and ending not in KINDS:
        raise ConfigError(f"{text!r}: copies are written as .jpg, .png, .tif or .avif.")
    if stem in NAMED:
        found = NAMED[stem]
    elif re.fullmatch(r"[0-9]{2,5}", stem):
        found = Size(stem, int(stem), None, "jpg", "screen")
    elif match := re.fullmatch(r"([0-9]{2,5})x([0-9]{2,5})", stem):
        found = Size(stem, None, (int(match[1]), int(match[2])), "jpg", "screen")
    else:
        raise ConfigError(
            f"{text!r} is no size; choose from {', '.join(NAMED)}, a number of pixels for the "
            "longer side (2000), or width and height (1920x1080)."
        )
    sides = [*(found.exact or ()), *((found.longest,) if found.longest else ())]
    if any(not SMALLEST_PX <= side <= LARGEST_PX for side in sides):
        raise ConfigError(f"{text!r}: a side has {SMALLEST_PX} to {LARGEST_PX} pixels.")
    kind = KINDS[ending] if dot else found.kind
    return Size(found.name, found.longest, found.exact, kind, found.purpose, found.dpi)


def resized(
    picture: Pixels,
    size: Size,
    space: Space = SRGB,
    sun: tuple[float, float] | None = None,
) -> Pixels:
    """Return a picture at a size, sharpened for what it is for.

    Parameters
    ----------
    picture : ndarray of float32, shape (3, H, W)
        Encoded.
    size : Size
    space : Space
        Of the picture, and of the result.
    sun : (float, float), optional
        Pixel (x, y) that stays as near to the middle as it can where an exact size cuts something
        off; the picture's middle if not given.

    Returns
    -------
    ndarray of float32, shape (3, h, w)

    Notes
    -----
    It is resampled in linear light by Lanczos' kernel of three lobes: averages of encoded values
    would darken fine bright detail.
    """
    height, width = picture.shape[1:]
    if size.exact is not None:
        columns, rows = size.exact
        scale = max(columns / width, rows / height)
        high, wide = min(round(rows / scale), height), min(round(columns / scale), width)
        x, y = sun or (None, None)
        top, bottom = to_ratio(0, height, wide, high / wide, y)
        left, right = to_ratio(0, width, high, wide / high, x)
        picture = picture[:, top:bottom, left:right]
    else:
        scale = min((size.longest or max(height, width)) / max(height, width), 1.0)
        rows, columns = max(round(height * scale), 1), max(round(width * scale), 1)
    if (rows, columns) == picture.shape[1:]:
        return np.ascontiguousarray(picture)
    out = np.empty((3, rows, columns), np.float32)
    for plane, into in zip(picture, out, strict=True):
        image = Image.fromarray(space.decode(np.ascontiguousarray(plane)))
        into[:] = np.asarray(image.resize((columns, rows), Image.Resampling.LANCZOS))
    out = space.encode(out)
    amount = SHARPEN.get(size.purpose, 0.0)
    return sharpened(out, amount) if amount and scale < 1.0 else out


def sharpened(picture: Pixels, amount: float) -> Pixels:
    """Return an encoded picture with an unsharp mask of its lightness, from 0 to 1."""
    luma = np.tensordot(LUMA, picture, axes=1)
    fine = luma - gaussian_filter(luma, SHARPEN_PX, mode="nearest")
    return np.clip(picture + np.float32(amount) * fine, 0.0, 1.0)


def write_copy(
    path: str | PathLike[str], picture: Pixels, caption: Caption, size: Size, space: Space = SRGB
) -> None:
    """Write a copy in an ordinary range, with its caption and credit.

    Parameters
    ----------
    path : path
    picture : ndarray of float32, shape (3, H, W)
        Encoded, in ``space`` if it becomes a TIFF, which keeps that, otherwise sRGB.
    caption : Caption
    size : Size
        Its kind is not ``avif``; that is written by `limbward.render.avif.write_avif`.
    space : Space
    """
    if size.kind == "tif":
        write_tiff(path, picture, caption, space)
    elif size.kind == "png":
        write_png(path, picture, caption)
    else:
        write_jpeg(path, picture, caption, size.dpi)


def write_web_jpeg(source: str | PathLike[str], path: str | PathLike[str], longest: int) -> None:
    """Write a PNG of `write_png` once more as a JPEG with its caption.

    Parameters
    ----------
    source, path : path
    longest : int
        Pixels of the longer side at most.
    """
    with Image.open(source) as image:
        told = {str(k): str(v) for k, v in image.info.items() if isinstance(v, str)}
        whole = np.asarray(image.convert("RGB"), np.float32)
    picture = np.moveaxis(whole, -1, 0) / np.float32(255.0)
    size = Size("web", longest, None, "jpg", "screen")
    caption = Caption(told.get("Description", ""), told.get("Title", ""), told.get("Author", ""))
    write_jpeg(path, resized(picture, size), caption, size.dpi, told.get("XML:com.adobe.xmp", ""))


def write_jpeg(
    path: str | PathLike[str],
    picture: Pixels,
    caption: Caption,
    dpi: int = 96,
    packet: str = "",
) -> None:
    """Write a JPEG in sRGB with its profile, and the caption as XMP and Exif.

    Parameters
    ----------
    path : path
    picture : ndarray of float32, shape (3, H, W)
        Encoded sRGB.
    caption : Caption
    dpi : int
    packet : str
        XMP that is there already; if empty, it is made of the caption.
    """
    data = np.empty((*picture.shape[1:], 3), np.uint8)
    in_threads(to_8_bits, len(data), np.ascontiguousarray(picture), 0, data)
    exif = Image.Exif()
    # Exif 2.32: ImageDescription, Software, Artist, Copyright.
    told = {270: caption.text(), 305: "limbward", 315: caption.author, 33432: caption.author}
    for tag, text in told.items():
        if text:
            exif[tag] = plain(text).translate(IN_ASCII)  # which is all that its texts hold
    out = io.BytesIO()
    Image.fromarray(data).save(
        out,
        "JPEG",
        quality=QUALITY,
        subsampling=0,
        optimize=True,
        progressive=True,
        dpi=(dpi, dpi),
        icc_profile=SRGB.profile(),
        exif=exif,
        xmp=(packet or xmp(caption)).encode(),
    )
    with open(path, "wb") as file:
        file.write(out.getvalue())
