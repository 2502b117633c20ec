"""Up to which level the sensor is linear, from exposures that overlap."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from astropy.io.fits import Header
from numpy.typing import NDArray

from limbward.radiance.registered import RegisteredFrames
from limbward.radiance.relative import pairs

Floats = NDArray[np.float64]

LEVELS = np.arange(0.50, 0.961, 0.02)  # of the range; reduced frames lack what is above 0.98
REFERENCE = (0.15, 0.5)  # of the range: taken as linear
LEAST = 0.02  # of the range, for the shorter exposure: its black level must not matter
DEVIATION = 0.005
CERTAIN = 4.0  # standard errors
MIN_PIXELS = 40
UNEVEN = 2.0  # times the median scatter of pairs: those that cloud or a changed sky made so much so
MARGIN = 0.02  # of the range, below the level at which the response is seen to bend


def linear_ceiling(
    registered: RegisteredFrames, factor: Floats, span: Floats, upper: float
) -> Floats:
    """Return the fraction of the range up to which each colour is linear.

    Parameters
    ----------
    registered : RegisteredFrames
    factor : ndarray, shape (N,)
        True exposures in units of the nominal ones.
    span : ndarray, shape (N,)
        From black to white, ADU.
    upper : float
        Fraction that is not exceeded, and what stands where nothing is measured.

    Returns
    -------
    ndarray, shape (3,)

    Notes
    -----
    What a longer exposure should show follows from the shorter one, in the middle of its range.
    Where the response is 0.5 % below that, by four standard errors and in the next step of level
    too, it is called bent. Comparing by the expected level, not by the one seen, keeps noise from
    looking like a bend.
    """
    true = factor * registered.exposure
    level: list[list[Floats]] = [[], [], []]
    ratio: list[list[Floats]] = [[], [], []]
    scatter: list[list[float]] = [[], [], []]
    for i, j in pairs(registered.exposure):
        if true[j] < 1.5 * true[i]:
            continue
        for c in range(3):
            low, high = registered.signal[i, c], registered.signal[j, c]
            expected = (low * (true[j] / true[i]) / span[j]).ravel()
            seen = (high / span[j]).ravel()
            ok = np.isfinite(expected) & np.isfinite(seen) & (low.ravel() > LEAST * span[i])
            ok &= (expected > REFERENCE[0]) & (expected < LEVELS[-1])
            x, y = expected[ok].astype(float), seen[ok] / expected[ok]
            base = (x > REFERENCE[0]) & (x < REFERENCE[1])
            if np.count_nonzero(base) < MIN_PIXELS:
                continue
            y = y / np.median(y[base])
            level[c].append(x)
            ratio[c].append(y)
            scatter[c].append(float(np.median(np.abs(y[base] - 1.0))))
    out = []
    for c in range(3):
        limit = UNEVEN * float(np.median(scatter[c])) if scatter[c] else 0.0
        even = [k for k, much in enumerate(scatter[c]) if much <= limit]
        out.append(_bend([level[c][k] for k in even], [ratio[c][k] for k in even], upper))
    return np.array(out)


def describe_range(header: Header, linear: Floats) -> None:
    """Write into a header up to which part of the range the sensor is linear, in R, G, B."""
    for c in range(3):
        header[f"LINEAR{c + 1}"] = (float(linear[c]), "of the range, up to which frames were used")


def _bend(levels: list[Floats], ratios: list[Floats], upper: float) -> float:
    if not levels:
        return upper
    x, y = np.concatenate(levels), np.concatenate(ratios)
    bent: list[bool | None] = []
    for low, high in pairwise(LEVELS):
        part = y[(x >= low) & (x < high)]
        if part.size < MIN_PIXELS:
            bent.append(None)
            continue
        middle = float(np.median(part))
        spread = 1.4826 * float(np.median(np.abs(part - middle)))
        error = 1.2533 * spread / np.sqrt(part.size)  # of a median
        bent.append(bool(middle - 1.0 < -max(DEVIATION, CERTAIN * error)))
    for k, low in enumerate(LEVELS[:-1]):
        following = [b for b in bent[k + 1 :] if b is not None][:1]
        if bent[k] and all(following):
            return float(min(upper, low - MARGIN))
    return upper
