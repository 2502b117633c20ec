"""Frames of like exposures."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

SAME_EXPOSURE = 1.1  # ratio: steps of a bracket are a third of a stop (1.26) at least


def by_exposure(exposure: NDArray[np.float64]) -> list[list[int]]:
    """Return the frames of like exposures together, the shortest first.

    Examples
    --------
    >>> by_exposure(np.array([0.5, 0.1, 0.104, 1.0]))
    [[1, 2], [0], [3]]
    """
    groups: list[list[int]] = []
    for k in np.argsort(exposure, kind="stable"):
        if groups and exposure[k] < SAME_EXPOSURE * exposure[groups[-1][0]]:
            groups[-1].append(int(k))
        else:
            groups.append([int(k)])
    return groups
