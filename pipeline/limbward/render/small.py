"""Large pictures made smaller, one colour after the other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.picture.resampling import shrink
from limbward.radiance.scratch import let_go

Pixels = NDArray[np.float32]


def small_of(picture: Pixels, longest: int = 0, *, factor: int | None = None) -> tuple[Pixels, int]:
    """Return what `limbward.picture.resampling.shrink` does, with the same parameters.

    Of a picture on disk a single colour is in memory at a time.
    """
    small = []
    for plane in picture:
        part, factor = shrink(plane[None], longest, factor=factor)
        small.append(part[0])
        let_go(picture)
    assert factor is not None
    return np.stack(small), factor
