"""The JPEG that a camera writes beside a RAW file."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from limbward.simulate.dng import (
    EXIF_IFD,
    GPS_IFD,
    ExposureTags,
    RawLayout,
    exif_directory,
    gps_directory,
)


def develop(mosaic: NDArray[np.uint16], layout: RawLayout) -> NDArray[np.uint8]:
    """Return a plain rendering, (H/2, W/2, 3): each cell of the mosaic becomes a pixel."""
    top, left, bottom, right = layout.margins
    rows, columns = mosaic.shape
    visible = mosaic[top : rows - bottom, left : columns - right].astype(np.float32)
    planes: list[list[NDArray[np.float32]]] = [[], [], []]
    for (i, j), colour in np.ndenumerate(layout.pattern):
        level = (visible[i::2, j::2] - layout.black[i, j]) / (layout.white - layout.black[i, j])
        planes[int(colour)].append(level / layout.neutral[int(colour)])
    rgb = np.stack([np.mean(p, axis=0) for p in planes], axis=-1)
    # IEC 61966-2-1 is close to a power of 1/2.2; a preview needs no more.
    return np.asarray(np.clip(rgb, 0.0, 1.0) ** (1 / 2.2) * 255 + 0.5).astype(np.uint8)


def write_jpeg(
    path: Path, mosaic: NDArray[np.uint16], layout: RawLayout, tags: ExposureTags
) -> None:
    """Write a JPEG with the same tags as the RAW file."""
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = tags.make, tags.model, tags.orientation
    exif[306] = tags.time_camera.strftime("%Y:%m:%d %H:%M:%S")
    exif.get_ifd(EXIF_IFD).update(exif_directory(tags))
    gps = gps_directory(tags)
    if gps:
        exif.get_ifd(GPS_IFD).update(gps)
    Image.fromarray(develop(mosaic, layout)).save(path, quality=88, exif=exif.tobytes())
