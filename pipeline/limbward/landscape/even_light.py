"""Exposures of a series evened out without flattening the darkening."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.linalg import spsolve

Floats = NDArray[np.float64]

FLICKER = 0.05  # natural logarithm: shutters and apertures repeat to some hundredths
STEP = 0.08  # of a setting: 1/60 s, f/2.8 and ISO 800 are names, each a few hundredths off
CLEARNESS = 0.01  # of the air, from one minute to the next
UNLIKE = 0.5  # how far the sky may depart from the law while its light changes by as much as 1
AROUND_S = 30.0  # the sky is lit by what is left of the Sun elsewhere, so earlier and later
FAINTEST = 1e-6  # of the Sun's light: below it the sky is lit from beyond the shadow alone
# In and near the shadow the sky goes by no law, but by a factor of two in half a minute at most.
SHADOW, IN_SHADOW = 0.01, 0.02  # of the Sun's light, and per second
STRAY = 3.0  # in FLICKER: beyond, a frame is dark for a reason of its own and tells nothing
ROUNDS = 6
MOST = 1.5  # times by which a frame is brought to the others


@dataclass(frozen=True)
class EvenLight:
    """The sky's brightness in N frames, flicker and errors of exposures taken out.

    Attributes
    ----------
    level : ndarray, shape (N,)
        In the units that went in.
    factor : ndarray, shape (N,)
        By which each frame is to be multiplied.
    """

    level: Floats
    factor: Floats


def even_light(t: Floats, level: Floats, share: Floats, light: Floats) -> EvenLight:
    """Return how bright the sky was in each frame, and what each frame's exposure is off.

    Parameters
    ----------
    t : ndarray, shape (N,)
        Seconds, increasing.
    level : ndarray, shape (N,)
        The sky's brightness over the nominal exposure.
    share : ndarray, shape (N,)
        Of the Sun's light that the Moon leaves.
    light : ndarray, shape (N,)
        Nominal exposure times sensitivity: frames of one value are of one setting.

    Notes
    -----
    The logarithm of a level is that of the share and a rest of dusk, which follow from the time,
    plus the air's own, which walks slowly, faster where the light runs away, plus a constant of the
    setting, plus flicker. Least squares parts the four; a step that comes with another setting is
    the setting's, a fall that comes with the Moon is kept.
    """
    model = _law(level, share)
    rest = np.log(level) - model
    settings, setting = np.unique(np.round(np.log(light), 6), return_inverse=True)
    n, m = t.size, settings.size
    walk = CLEARNESS * np.sqrt(np.diff(t) / 60.0) + UNLIKE * _change(t, share) * np.diff(t) + 1e-6
    walk += IN_SHADOW * np.diff(t) * (np.minimum(share[1:], share[:-1]) < SHADOW)
    rows, every, later = np.arange(n), np.arange(n - 1), np.arange(1, n)
    weight = np.full(n, FLICKER**-2)
    smooth, step = rest, np.zeros(m)
    for _ in range(ROUNDS):
        # Normal equations of flicker, walk and settings; the settings' own sizes are small.
        w = walk**-2
        i = np.concatenate([rows, rows, n + setting, n + setting, every, later, every, later,
                            n + np.arange(m)])  # fmt: skip
        j = np.concatenate([rows, n + setting, rows, n + setting, every, later, later, every,
                            n + np.arange(m)])  # fmt: skip
        value = np.concatenate([*[weight] * 4, w, w, -w, -w, np.full(m, STEP**-2)])
        matrix = coo_array((value, (i, j)), shape=(n + m, n + m)).tocsc()
        right = np.concatenate([weight * rest, np.bincount(setting, weight * rest, minlength=m)])
        found = np.atleast_1d(spsolve(matrix, right))
        smooth, step = found[:n], found[n:]
        off = np.abs(rest - smooth - step[setting]) / FLICKER
        # Beyond STRAY a frame pulls ever less, the further the less.
        weight = FLICKER**-2 / np.maximum(off / STRAY, 1.0) ** 2
    even = np.exp(smooth + model)
    return EvenLight(even, np.clip(even / level, 1.0 / MOST, MOST))


def _change(t: Floats, share: Floats) -> Floats:
    """Return how fast the logarithm of the light changes between frames, per second."""
    light = np.log(np.maximum(share, FAINTEST))
    middle = 0.5 * (t[1:] + t[:-1])
    reach = np.maximum(AROUND_S, 0.5 * np.diff(t))
    before, after = (np.interp(middle + s * reach, t, light) for s in (-1.0, 1.0))
    return np.asarray(np.abs(after - before) / (2.0 * reach))


def _law(level: Floats, share: Floats) -> Floats:
    """Return the logarithm of share and dusk, with the dusk that the darkest frame shows."""
    bright, dark = int(np.argmax(share)), int(np.argmin(level))
    dusk = level[dark] / level[bright] * share[bright] - share[dark]
    return np.asarray(np.log(share + max(float(dusk), FAINTEST)))
