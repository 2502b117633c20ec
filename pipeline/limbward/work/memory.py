"""How much memory a run may take."""

from __future__ import annotations

import ctypes
from contextlib import suppress

import psutil

GIGA = 1e9
SHARE = (
    0.25  # of the machine's memory: other programs, and the system's cache of files, want theirs
)
LEAST = 1.5 * GIGA


def give_back() -> None:
    """Return to the system what freed objects have left behind; glibc alone keeps so much.

    Writing a picture of 100 megapixels leaves 0.5 GB in pieces too small to be returned by itself.
    """
    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def allowed_memory(stated_gb: float | None) -> float:
    """Return how many bytes a run with all its processes is to keep within.

    Parameters
    ----------
    stated_gb : float, optional
        Gigabytes that a user allows; else a quarter of the machine's, 1.5 at least.
    """
    if stated_gb is not None:
        return stated_gb * GIGA
    # psutil asks each system in its own way (BSD licence).
    return max(SHARE * float(psutil.virtual_memory().total), LEAST)
