"""Finished pictures, written as a file to print or edit and as one to look at."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.render.space import SRGB, Space
from limbward.render.writers import Caption, write_png, write_tiff
from limbward.workspace.folder import Workspace


def write_tiff_and_png(
    workspace: Workspace,
    names: tuple[str, str],
    picture: NDArray[np.float32],
    caption: Caption,
    space: Space = SRGB,
) -> None:
    """Write a picture in 16 bits and in 8.

    Parameters
    ----------
    workspace : Workspace
    names : (str, str)
        Of the TIFF and of the PNG.
    picture : ndarray of float32, shape (3, H, W)
        Encoded, from 0 to 1.
    caption : Caption
    space : Space
        Of the picture.
    """
    tif, png = names
    with workspace.writing(tif) as part:
        write_tiff(part, picture, caption, space)
    with workspace.writing(png) as part:
        write_png(part, picture, caption, space)
