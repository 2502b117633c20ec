"""Picture files that other programs open: 16-bit TIFF and 8-bit PNG, both sRGB."""

from __future__ import annotations

from os import PathLike

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, ImageCms, PngImagePlugin

Pixels = NDArray[np.float32]

SOFTWARE = "limbward"


def srgb_profile() -> bytes:
    """Return an ICC profile of sRGB, the same bytes every time."""
    profile = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    # Bytes 24 to 35 hold the date of making (ICC.1:2010, 7.2.1); 2000-01-01 keeps files alike.
    profile[24:36] = np.array([2000, 1, 1, 0, 0, 0], ">u2").tobytes()
    return bytes(profile)


def write_tiff(path: str | PathLike[str], picture: Pixels, description: str = "") -> None:
    """Write a 16-bit TIFF with an sRGB profile.

    Parameters
    ----------
    path : path
    picture : ndarray of float32, shape (H, W, 3)
        Encoded sRGB from 0 to 1.
    description : str
        For the ImageDescription tag, which holds ASCII only.
    """
    data = np.rint(np.clip(picture, 0.0, 1.0) * 65535.0).astype(np.uint16)
    tifffile.imwrite(
        path,
        data,
        photometric="rgb",
        compression="zlib",
        predictor=True,
        rowsperstrip=64,
        iccprofile=srgb_profile(),
        description=description.encode("ascii", "replace").decode(),
        software=SOFTWARE,
        metadata=None,
    )


def write_png(path: str | PathLike[str], picture: Pixels, description: str = "") -> None:
    """Write an 8-bit PNG marked as sRGB.

    Parameters
    ----------
    path : path
    picture : ndarray of float32, shape (H, W, 3)
        Encoded sRGB from 0 to 1.
    description : str
        For the Description keyword.

    Notes
    -----
    Half a step of ordered noise (the golden-ratio sequence of the pixel's number) is added before
    rounding, or 8 bits would show steps in the dark sky.
    """
    height, width = picture.shape[:2]
    x, y = np.arange(width, dtype=np.float64), np.arange(height, dtype=np.float64)
    # R2 sequence: a dither without period or clumps, the same in every run.
    dither = (0.7548776662466927 * x[None, :] + 0.5698402909980532 * y[:, None]) % 1.0
    data = np.clip(picture, 0.0, 1.0) * 255.0 + dither[..., None].astype(np.float32)
    info = PngImagePlugin.PngInfo()
    info.add(b"sRGB", b"\x00")
    info.add_text("Software", SOFTWARE)
    if description:
        info.add_itxt("Description", description)
    image = Image.fromarray(np.minimum(data, 255.0).astype(np.uint8), "RGB")
    image.save(path, format="PNG", pnginfo=info, compress_level=6)
