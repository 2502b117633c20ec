"""JPEG frames: made for a display by the camera, undone as far as they declare how."""

from __future__ import annotations

import struct
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from limbward.camera.claims import check_claim
from limbward.camera.display import (
    ADOBE_GAMMA,
    ADOBE_RGB,
    EXIF_POINTER,
    Curve,
    from_srgb,
    profile_curve,
    to_light,
)
from limbward.camera.frame import RawFrame, UnreadableFrame, linear_frame

COLOR_SPACE = 0xA001
MODES = ("L", "RGB")


def read_jpeg(path: Path) -> RawFrame:
    """Read a JPEG file; see `limbward.camera.raw.read_raw`.

    Returns
    -------
    RawFrame
        Decoded by the curve of its colour profile, else by that of its colour space, sRGB if it
        names none (CIPA DC-008, A.3).

    Raises
    ------
    UnreadableFrame
        If it is damaged, cut short, or neither grey nor RGB.
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of many pixels: `check_claim` weighs them
            with path.open("rb") as stream, Image.open(stream, formats=("JPEG",)) as image:
                width, height = image.size
                check_claim(path, width * height, len(image.getbands()))
                if image.mode not in MODES:
                    raise UnreadableFrame(
                        f"{path.name} is a {image.mode} JPEG; save it as grey or RGB."
                    )
                said, curve = declared_curve(image)
                data = np.array(image)  # cut short, it raises
    except (UnreadableFrame, MemoryError):
        raise
    except Image.DecompressionBombError as error:
        raise UnreadableFrame(f"{path.name} declares more pixels than can be decoded.") from error
    except (PermissionError, FileNotFoundError, IsADirectoryError):
        raise
    except Exception as error:  # Pillow meets damaged files with exceptions of any kind
        if isinstance(error, OSError) and error.errno is not None:  # of the file system
            raise
        raise UnreadableFrame(
            f"{path.name} cannot be decoded as JPEG ({error}); copy it again from the card, if it "
            "is whole there."
        ) from error
    if data.ndim == 3:
        data = np.ascontiguousarray(np.moveaxis(data, -1, 0))
    return replace(linear_frame(*to_light(data, curve)), encoding=said)


def declared_curve(image: Image.Image) -> tuple[str, Curve]:
    """Return what an 8-bit picture says of its encoding, and the light of each of its values."""
    steps = np.linspace(0.0, 1.0, 256)
    profile = image.info.get("icc_profile")
    if isinstance(profile, bytes):
        try:
            curve = profile_curve(profile, steps)
        except struct.error:  # cut short
            curve = None
        if curve is not None:
            return "its colour profile", curve
    try:
        exif = image.getexif()
        space = exif.get_ifd(EXIF_POINTER).get(COLOR_SPACE)
    except Exception:  # a damaged Exif block costs the colour space only
        space = None
    if space == ADOBE_RGB:
        return "the Exif tag ColorSpace", steps**ADOBE_GAMMA
    return "the format JPEG", from_srgb(steps)
