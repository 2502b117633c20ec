"""Cut-outs of the corona with the limb that was measured and the Moon as the alignment puts it."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from limbward.report.pictures import Picture, jpeg_picture

Floats = NDArray[np.float64]

WORST = 12
SIDE_PX = 220
POINT = (255, 170, 60)
CIRCLE = (90, 190, 255)


@dataclass(frozen=True)
class LimbView:
    """A frame's surroundings of the Moon.

    Attributes
    ----------
    file : str
    exposure_s, miss_px : float
        ``miss_px`` is how far the limb lies from where the alignment puts the Moon.
    values : ndarray, shape (h, w)
        Brightness, NaN where clipped.
    scale : float
        Raw pixels to a pixel of ``values``.
    origin : tuple of float
        Raw coordinates of its first pixel's centre.
    points : ndarray, shape (N, 2)
        Edge points, raw pixels.
    moon : tuple of float
        Centre and radius, raw pixels.
    """

    file: str
    exposure_s: float
    miss_px: float
    values: NDArray[np.float32]
    scale: float
    origin: tuple[float, float]
    points: Floats
    moon: tuple[float, float, float]


def furthest_off(miss_px: Floats, most: int = WORST) -> NDArray[np.int64]:
    """Return the frames whose limbs lie furthest from where the alignment has them.

    Parameters
    ----------
    miss_px : ndarray, shape (N,)
        NaN where not measured.
    most : int
        How many at most.
    """
    worst = np.argsort(np.nan_to_num(-miss_px, nan=np.inf), kind="stable")[:most]
    return worst[np.isfinite(miss_px[worst])]


def draw_limb(view: LimbView) -> Picture:
    """Return the cut-out with the edge points and the fitted circle drawn on it."""
    known = np.isfinite(view.values)
    top = float(np.max(view.values[known])) if known.any() else 1.0
    log = np.log1p(np.maximum(np.where(known, view.values, top), 0.0) / max(0.002 * top, 1e-6))
    grey = (255 * log / max(float(log.max()), 1e-6)).astype(np.uint8)
    zoom = SIDE_PX / max(grey.shape)
    size = round(grey.shape[1] * zoom), round(grey.shape[0] * zoom)
    picture = Image.fromarray(grey).resize(size).convert("RGB")
    draw = ImageDraw.Draw(picture)

    def place(x: float, y: float) -> tuple[float, float]:
        column, row = (x - view.origin[0]) / view.scale, (y - view.origin[1]) / view.scale
        return (column + 0.5) * zoom, (row + 0.5) * zoom

    x, y, radius = view.moon
    r = radius / view.scale * zoom
    cx, cy = place(x, y)
    draw.ellipse((cx - r, cy - r, cx + r, cy + r), outline=CIRCLE)
    draw.point([place(*point) for point in view.points[::4]], fill=POINT)
    buffer = io.BytesIO()
    picture.save(buffer, format="JPEG", quality=80)
    return jpeg_picture(buffer.getvalue(), picture.size)
