"""What is taken out of a clip: limbs measured all along it, and stills at some instants."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.clips.catalogue import Clip, UnreadableClip, read_clip
from limbward.clips.pictures import pictures_at
from limbward.limb.measure import measure
from limbward.limb.measurement import LimbMeasurement

# A picture from the middle of ten seconds between key pictures, at "4K", takes this on a slow
# machine.
PICTURE_S = 5.0
MEMORY = 1_800_000_000  # bytes; pictures of "8K" as they are decoded and measured


@dataclass(frozen=True)
class Sampled:
    """A clip and what its samples show; ``at_s`` are their own times, seconds.

    They are NaN where the film does not say how its pictures are spaced.
    """

    clip: Clip
    at_s: NDArray[np.float64]
    found: list[LimbMeasurement]


@dataclass(frozen=True)
class Still:
    """A picture as sRGB bytes (H, W, 3), and its own time in the film, seconds."""

    at_s: float
    colours: NDArray[np.uint8]


def sample(path: Path, samples: int, radius_ratio: float) -> Sampled:
    """Measure limbs in pictures spread evenly over a clip, as in partial frames.

    Parameters
    ----------
    path : Path
    samples : int
        Pictures to measure.
    radius_ratio : float
        Moon's radius over the Sun's.

    Raises
    ------
    UnreadableClip
    """
    clip = read_clip(path)
    count = min(samples, max(1, clip.pictures))
    wanted = (np.arange(count) + 0.5) * clip.duration_s / count
    at, found = [], []
    for picture in pictures_at(clip, wanted.tolist()):
        plane = picture.plane()
        at.append(picture.at_s if clip.paced else np.nan)
        found.append(
            measure(
                plane.image, plane.saturated, plane.scale, plane.origin,
                radius_ratio=radius_ratio, linear=clip.linear,
            )
        )  # fmt: skip
    if not found:
        raise UnreadableClip(f"{path.name} holds no frame that can be decoded.")
    return Sampled(clip, np.array(at), found)


def stills(path: Path, seconds: list[float]) -> list[Still]:
    """Return the pictures shown at some instants, growing.

    Raises
    ------
    UnreadableClip
    """
    pictures = pictures_at(read_clip(path), seconds)
    return [Still(picture.at_s, picture.colours()) for picture in pictures]
