"""What the config says of single frames."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.config.frames import FrameRule, matches

Texts = NDArray[np.object_]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Said:
    """What the config says of N frames.

    Attributes
    ----------
    phase : ndarray of str
        Empty where nothing is said.
    keep, drop : ndarray of bool
    key : ndarray of str
        Which entry says it, such as ``frames[0]``.
    """

    phase: Texts
    keep: Mask
    drop: Mask
    key: Texts


def said_of(rules: Sequence[FrameRule], file: Texts) -> Said:
    """Return what the config's ``frames`` say of files, the last rules first."""
    said = [_rule_for(rules, f) for f in file]
    return Said(
        np.array([phase or "" for _, phase, _ in said], dtype=object),
        np.array([use == "keep" for use, _, _ in said], dtype=bool),
        np.array([use == "drop" for use, _, _ in said], dtype=bool),
        np.array(["" if i is None else f"frames[{i}]" for _, _, i in said], dtype=object),
    )


def _rule_for(rules: Sequence[FrameRule], file: str) -> tuple[str | None, str | None, int | None]:
    """Return use and phase that are said of a file, the last rules first, and the last's number."""
    use: str | None = None
    phase: str | None = None
    last: int | None = None
    for i, rule in enumerate(rules):
        if any(matches(file, pattern) for pattern in rule.files):
            use, phase, last = rule.use or use, rule.phase or phase, i
    return use, phase, last
