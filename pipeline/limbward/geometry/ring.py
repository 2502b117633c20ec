"""The Moon before the Sun's disc: how much of its diameter is covered, and whether a ring is left.

No photosphere is hidden on all sides by a Moon that is smaller than the Sun: the eclipse is annular
while the Moon's disc lies within the Sun's.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def distance(sun: Floats, moon: Floats) -> Floats:
    """Return how far apart the centres of discs (N, 3: x, y, radius) are, pixels."""
    return np.asarray(np.hypot(moon[:, 0] - sun[:, 0], moon[:, 1] - sun[:, 1]))


def covered_diameter(sun: Floats, moon: Floats) -> Floats:
    """Return the magnitude: the part of the Sun's diameter that the Moon covers.

    Parameters
    ----------
    sun, moon : ndarray, shape (N, 3)
        Centre x, y and radius, pixels; NaN where not known.

    Returns
    -------
    ndarray, shape (N,)
        0 where the discs do not touch; NaN where not known. In a ring it is counted as contacts
        count it, to the Moon's far limb, though the Sun reaches beyond that.
    """
    reach = sun[:, 2] + moon[:, 2] - distance(sun, moon)
    return np.asarray(np.maximum(reach, 0.0) / (2.0 * sun[:, 2]))


def shows_ring(sun: Floats, moon: Floats) -> NDArray[np.bool_]:
    """Return in which of N frames the Moon's disc lies wholly within the Sun's.

    Parameters
    ----------
    sun, moon : ndarray, shape (N, 3)
        As of `covered_diameter`.

    Examples
    --------
    >>> import numpy as np
    >>> sun = np.array([[0.0, 0.0, 100.0], [0.0, 0.0, 100.0]])
    >>> shows_ring(sun, np.array([[3.0, 0.0, 95.0], [7.0, 0.0, 95.0]])).tolist()
    [True, False]
    """
    with np.errstate(invalid="ignore"):
        return np.asarray(distance(sun, moon) + moon[:, 2] < sun[:, 2])
