"""Angles that turn over at half a turn."""

from __future__ import annotations

from typing import overload

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@overload
def half_turn(degrees: float) -> float: ...
@overload
def half_turn(degrees: Floats) -> Floats: ...
def half_turn(degrees: float | Floats) -> float | Floats:
    """Return the same directions within half a turn of zero: from -180 up to, not at, 180 degrees.

    Examples
    --------
    >>> half_turn(350.0), half_turn(-190.0), half_turn(180.0)
    (-10.0, 170.0, -180.0)
    """
    return (degrees + 180.0) % 360.0 - 180.0
