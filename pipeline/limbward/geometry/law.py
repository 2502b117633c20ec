"""The mean brightness of the corona with distance: the one law that everything is measured by.

References
----------
S. Baumbach, Astron. Nachr. 263 (1937) 121, as tabulated in *Allen's Astrophysical Quantities*.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

UNIT = 1e-6  # of the mean brightness of the solar disc
FACTORS = (0.0532, 1.425, 2.565)
POWERS = (-2.5, -7, -17)  # of the distance in solar radii


def mean_corona(rho: ArrayLike) -> NDArray[np.float64]:
    """Return the mean brightness of the corona in units of the mean solar disc.

    Parameters
    ----------
    rho : array_like
        Distance from the Sun's centre, solar radii; the law holds from 1 on.

    Returns
    -------
    ndarray of float64
        In the shape of ``rho``.

    Examples
    --------
    >>> round(float(mean_corona(2.0) * 1e9), 2)
    20.56
    """
    r = np.asarray(rho, dtype=float)
    f, k, inner = (factor * r**power for factor, power in zip(FACTORS, POWERS, strict=True))
    return np.asarray(UNIT * (f + k + inner))
