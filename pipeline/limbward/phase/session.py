"""The phases of the frames of all cameras, with the reasons in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.phase.decide import Timed, decide
from limbward.phase.evidence import Evidence, behind_filter

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]
Mask = NDArray[np.bool_]

PICTURES = {
    "partial": "a partial phase",
    "contact": "a frame with the photosphere visible",
    "totality": "a frame of totality",
    "dark": "a dark frame",
    "bias": "a bias frame",
    "flat": "a flat field",
}


@dataclass(frozen=True)
class Taken:
    """Which frames are decided on, by which camera they were taken and in which order.

    Attributes
    ----------
    camera, serial : ndarray of str, shape (N,)
    order : ndarray, shape (N,)
        Numbers that grow in the order of taking.
    pictures : ndarray of bool, shape (N,)
        Whether a file is a frame that was decoded and is there once.
    """

    camera: Texts
    serial: Texts
    order: Floats
    pictures: Mask

    def bodies(self) -> list[tuple[tuple[str, str], NDArray[np.int64]]]:
        """Return the cameras by their names, each with its pictures in the order of taking."""
        found = []
        pairs = zip(self.camera[self.pictures], self.serial[self.pictures], strict=True)
        for body in sorted(set(pairs)):
            mine = self.pictures & (self.camera == body[0]) & (self.serial == body[1])
            rows = np.flatnonzero(mine)
            found.append((body, rows[np.argsort(self.order[rows], kind="stable")]))
        return found


@dataclass(frozen=True)
class Phases:
    """What N frames show.

    Attributes
    ----------
    phase, reason : ndarray of str
        As of `limbward.phase.decide.Decided`, in a sentence.
    behind_filter : ndarray of bool
        Frames of totality with the filter on.
    contradicted : list of tuple of str
        Bodies whose clock was not believed.
    """

    phase: Texts
    reason: Texts
    behind_filter: Mask
    contradicted: list[tuple[str, str]]


def decide_session(
    evidence: Evidence,
    taken: Taken,
    phase: Texts,
    stated: Texts,
    stated_by: Texts,
    timed: Timed | None = None,
) -> Phases:
    """Decide what all frames show, camera by camera.

    Parameters
    ----------
    evidence : Evidence
        Of N files, in any order.
    taken : Taken
    phase : ndarray of str, shape (N,)
        What the files that are no pictures are.
    stated : ndarray of str, shape (N,)
        What a person says that a frame shows, empty where nothing is said.
    stated_by : ndarray of str, shape (N,)
        Where it is said, for the reason.
    timed : Timed, optional
        Where the clock is known and the site sees totality.

    Returns
    -------
    Phases
    """
    looks = evidence.looks
    phase, reason = phase.copy(), np.full(looks.size, "", dtype=object)
    dimmed = np.zeros(looks.size, bool)
    contradicted = []
    for body, mine in taken.bodies():
        shown = evidence.of(mine)
        found = decide(shown, None if timed is None else timed.of(mine))
        phase[mine], reason[mine] = found.phase, found.reason
        dimmed[mine] = behind_filter(shown) & (found.phase == "totality")
        if found.contradicted:
            contradicted.append(body)
    said = (stated != "") & taken.pictures
    phase[said] = stated[said]
    for i in np.flatnonzero(taken.pictures & (reason != "")):
        like = PICTURES.get(str(looks[i]))
        though = (
            "does not look like a picture of the eclipse" if like is None else f"looks like {like}"
        )
        reason[i] = (
            f"taken for {_article(phase[i])}, though it {though}: {reason[i]} (if that is wrong, "
            "set phase under frames in the config)"
        )
    for i in np.flatnonzero(said):
        reason[i] = f"its phase is set by {stated_by[i]} in the config"
    return Phases(phase, reason, dimmed, contradicted)


def _article(phase: str) -> str:
    return PICTURES.get(phase, "no picture of the eclipse")
