"""Which camera of a dump is meant where only one can be."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Bodies = Sequence[tuple[str, str]]


def camera_of_most(
    bodies: Bodies, usable: NDArray[np.bool_], named: str | None = None
) -> tuple[str, str] | None:
    """Return the camera that took most of the usable frames; None where no frame is usable.

    Parameters
    ----------
    bodies : sequence of tuple of str
        Model and serial number of the camera of each of N frames.
    usable : ndarray of bool, shape (N,)
    named : str, optional
        Model or serial number that is wanted, in capitals or not.

    Raises
    ------
    LookupError
        If no camera bears that name.
    """
    count = Counter(b for b, ok in zip(bodies, usable, strict=True) if ok)
    if named is not None:
        wanted = _called(bodies, named.lower())
        if not wanted:
            known = ", ".join(sorted({f"{c} ({s})" for c, s in bodies if c}))
            raise LookupError(f"no camera on the cards is called {named!r}; there are {known}.")
        count = Counter({b: n for b, n in count.items() if b in wanted})
    return max(sorted(count), key=lambda b: count[b]) if count else None


def _called(bodies: Bodies, text: str) -> set[tuple[str, str]]:
    exact = {b for b in bodies if text in (b[0].lower(), b[1].lower())}
    # A model that was split into bodies: Model One (800 mm).
    return exact or {b for b in bodies if b[0].lower().startswith(f"{text} (")}
