"""How much the cloud before all of the corona changes in time, as true exposures tell it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.radiance.exposures import by_exposure

Floats = NDArray[np.float64]

LEAST = 10  # frames that must have followed another of a like exposure


def passing_cloud(factor: Floats, exposure: Floats, start_s: Floats) -> float:
    """Return the standard deviation in time of the logarithm of what all of a frame gets.

    Parameters
    ----------
    factor : ndarray, shape (N,)
        True exposures in units of the nominal ones, so that cloud which dims all of a frame is in
        them.
    exposure : ndarray, shape (N,)
        Nominal.
    start_s : ndarray, shape (N,)
        When the frames were taken, seconds; NaN where that is not known.

    Returns
    -------
    float
        0 where too few frames tell.

    Notes
    -----
    A shutter errs anew in each frame and by the same at each setting; cloud lasts over some frames.
    So settings' means are taken off, and what is left is the covariance of frames one and two
    apart in time. Of a pattern that the wind carries past, the change in time at a place is that
    from place to place (G. I. Taylor, Proc. R. Soc. A 164 (1938) 476), of which what all frames
    share cannot be seen otherwise.
    """
    known = np.flatnonzero(np.isfinite(start_s) & np.isfinite(factor) & (factor > 0))
    order = known[np.argsort(start_s[known], kind="stable")]
    log = np.log(factor[order])
    groups = by_exposure(exposure[order])
    for group in groups:
        log[group] -= log[group].mean()
    free = log.size - len(groups)
    if free < LEAST:
        return 0.0
    together = 0.5 * (np.mean(log[1:] * log[:-1]) + np.mean(log[2:] * log[:-2]))
    return float(np.sqrt(max(together * log.size / free, 0.0)))
