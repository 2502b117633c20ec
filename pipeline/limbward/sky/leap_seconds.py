"""Leap seconds as the package of the Earth's rotation has them, without Astropy's tables.

Astropy looks for new leap seconds at the first time that it takes to another scale. It imports its
tables for that, which takes a fifth of the time of a short command, and asks the network once its
files are older than it likes. Here the same file is read, and Astropy is told that it has been.
"""

from __future__ import annotations

from typing import Any

import erfa
import numpy as np
from astropy.time import core
from astropy_iers_data import IERS_LEAP_SECOND_FILE

DONE: Any = getattr(getattr(core, "_LeapSecondsCheck", None), "DONE", None)


def take_leap_seconds() -> None:
    """Give ERFA the leap seconds that it lacks.

    What cannot be read, or an Astropy whose check is another one, is left to Astropy.
    """
    if DONE is None or getattr(core, "_LEAP_SECONDS_CHECK", DONE) == DONE:
        return
    try:
        erfa.leap_seconds.update(leap_seconds())
    except (OSError, ValueError):
        return
    core._LEAP_SECONDS_CHECK = DONE


def leap_seconds(path: str = IERS_LEAP_SECOND_FILE) -> np.ndarray[Any, Any]:
    """Return when TAI - UTC changed, and to what: columns ``year``, ``month``, ``tai_utc`` (s)."""
    _, _, month, year, seconds = np.loadtxt(path, unpack=True)
    kinds = [("year", "i4"), ("month", "i4"), ("tai_utc", "f8")]
    return np.array(list(zip(year, month, seconds, strict=True)), kinds)
