"""What a person says of frames that are to be merged, and how notes tell of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

OVERRULE = " (to merge it anyway, set use: keep under frames in the config)"
CORRECT = " (if that is wrong, set phase under frames in the config)"


@dataclass(frozen=True)
class Words:
    """What a person says of N frames; it is believed.

    Attributes
    ----------
    keep, drop : ndarray of bool
        Merged if they can be placed, and left out.
    totality : ndarray of bool
        Said to show totality.
    key : ndarray of str
        Where in the config it is said.
    """

    keep: NDArray[np.bool_]
    drop: NDArray[np.bool_]
    totality: NDArray[np.bool_]
    key: NDArray[np.object_]
