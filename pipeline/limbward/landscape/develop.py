"""Wide frames read: measured, and as linear colours to draw on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.camera.reduce import reduce_frame
from limbward.camera.response import Response
from limbward.camera.same import read_same
from limbward.landscape.seen import Seen, see

Pixels = NDArray[np.float32]


@dataclass(frozen=True)
class Developed:
    """A frame in linear sRGB, in bins of raw pixels.

    Attributes
    ----------
    picture : ndarray of float32, shape (3, h, w)
        1 where the sensor's range ends in white light.
    clipped : ndarray of bool, shape (h, w)
    factor : int
        Raw pixels to a bin: bin ``i`` has its centre at ``factor * (i + 0.5) - 0.5``.
    white_adu : float
        ADU of green above black that make 1 of the picture, in white light.
    """

    picture: Pixels
    clipped: NDArray[np.bool_]
    factor: int
    white_adu: float = 1.0


def see_file(path: Path, digest: str, response: Response | None, long_side: int) -> Seen:
    """Measure the frame in a file, on at most ``long_side`` bins.

    Raises
    ------
    UnreadableFrame
        If it cannot be decoded, or its SHA-256 is not the digest (empty: not known).
    """
    frame = read_same(path, digest, response)
    reduced = reduce_frame(frame, long_side)
    red, green, blue = (float(v) for v in frame.daylight)
    balance = (red / green, 1.0, blue / green)
    return see(reduced.planes, reduced.factor, frame.span, frame.width, frame.height, balance)


def develop_file(path: Path, digest: str, response: Response | None, long_side: int) -> Developed:
    """Return the frame in a file as linear colours, in at most ``long_side`` bins.

    Raises
    ------
    UnreadableFrame
        As for `see_file`.
    """
    frame = read_same(path, digest, response)
    reduced = reduce_frame(frame, long_side)
    clipped = np.asarray(np.isnan(reduced.planes).any(axis=0))
    level = np.where(clipped, np.float32(1.0), reduced.planes / np.float32(frame.span))
    balance = (frame.daylight / frame.daylight.min())[:, None, None]
    # With the smallest multiplier 1, a clipped pixel is white in every colour.
    level = np.minimum(np.maximum(level, 0.0) * balance, np.float32(1.0))
    picture = np.tensordot(frame.to_srgb, level, axes=1).astype(np.float32)
    white_adu = float(frame.span * frame.daylight.min() / frame.daylight[1])
    return Developed(np.clip(picture, 0.0, 1.0), clipped, reduced.factor, white_adu)
