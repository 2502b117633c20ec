"""Whether a camera's numbers are in proportion to light, asked of its brackets of totality."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from limbward.camera.response import Tested, View, solve_response, view_of

MOST_FRAMES = 48  # of a group, four brackets: more would not tell more
APART_S, APART = 30.0, 6  # of a pair: seconds, and files
RATIOS = (1.3, 20.0)  # of the light of a pair; beyond, one is dark where the other is not clipped
SAME_ISO, SAME_F = 100.0, 8.0  # where not told: only ratios within a camera count then


class Origin(NamedTuple):
    """What files have in common whose numbers answer to light in one way.

    Attributes
    ----------
    camera, serial, kind : str
        The kind as of `limbward.camera.card.CardFile`.
    declared : str
        What in the files says that they are encoded for a display, or empty.
    """

    camera: str
    serial: str
    kind: str
    declared: str


@dataclass(frozen=True)
class Bracketed:
    """A frame of totality, of which the pixels are read when it is chosen.

    Attributes
    ----------
    row : int
        By which it is known to whoever reads it.
    seconds : float
        Its clock; only differences count. NaN where not known.
    exposure_s, range_adu : float
        The range is that from black to white.
    iso, f_number : float or None
    moon : tuple of float
        Centre x, y and radius, full raw pixels.
    """

    row: int
    seconds: float
    exposure_s: float
    range_adu: float
    iso: float | None
    f_number: float | None
    moon: tuple[float, float, float]

    @property
    def light(self) -> float:
        """Exposure, times ISO over f-number squared."""
        return self.exposure_s * (self.iso or SAME_ISO) / (self.f_number or SAME_F) ** 2


Planes = Callable[[int], tuple[NDArray[np.float32], int]]


@dataclass(frozen=True)
class Answer:
    """What is known of the files of one kind from one camera.

    Attributes
    ----------
    name : str
        By which the column ``response`` of frames refers to it.
    camera, serial, kind : str
    declared : str
        What in the files says that they are encoded for a display, or empty.
    frames : int
    tested : Tested
    """

    name: str
    camera: str
    serial: str
    kind: str
    declared: str
    frames: int
    tested: Tested

    @property
    def origin(self) -> Origin:
        """Whose files it is about."""
        return Origin(self.camera, self.serial, self.kind, self.declared)

    def warning(self) -> str:
        """Return what is wrong with the files' numbers, and how that is known; empty if nothing."""
        tested = self.tested
        if tested.response is not None:
            declared = f" (encoded for a display, by {self.declared})" if self.declared else ""
            return (
                f"{self._files()} are not linear{declared}; {tested.pairs} pairs of exposures "
                "give the curve with which they are decoded. They are good for pictures, but not "
                "a measurement of brightness."
            )
        if not self.declared and tested.is_straight is False:
            return (
                f"{self._files('the numbers of ')} grow as the power {tested.exponent:.2f} of the "
                "exposures that the files state. If the exposures are right, the brightness of "
                "the corona is wrong; see responses.json."
            )
        return ""

    def remark(self) -> str:
        """Return that the files are encoded by the curve they declare; empty if they are not."""
        if self.tested.response is not None or not self.declared:
            return ""
        pairs = f"; {self.tested.pairs} pairs of exposures agree with its curve"
        held = pairs if self.tested.places else ""
        return f"{self._files()} are encoded for a display, by {self.declared}{held}"

    def _files(self, of: str = "") -> str:
        who = f"{self.camera or 'a camera'} {self.serial}".strip()
        kind = self.kind.upper() if self.kind != "raw" else "RAW"
        return f"{who}: {of}the {self.frames} {kind} files"


def ask_brackets(origin: Origin, shown: Sequence[Bracketed], planes: Planes, frames: int) -> Answer:
    """Tell from frames of totality whether the numbers of a camera's files are linear.

    Parameters
    ----------
    origin : Origin
        Of the files.
    shown : sequence of Bracketed
        Their frames of totality in the order of taking, of which those in the middle are used.
    planes : callable
        Takes a row, returns the frame's colours (3, h, w), ADU above black and NaN where saturated,
        and by how much they are smaller than the frame.
    frames : int
        How many files there are, for the answer.
    """
    start = max(0, (len(shown) - MOST_FRAMES) // 2)
    chosen = shown[start : start + MOST_FRAMES]
    # Of all, for where the corona is clipped the Moon looks smaller, by up to 3 %.
    moon = float(np.median([frame.moon[2] for frame in chosen])) if chosen else 0.0
    views = [(frame.seconds, _view(frame, planes, moon)) for frame in chosen]
    tested = solve_response(list(_pairs(views)), declared=bool(origin.declared))
    if origin.kind == "raw" and tested.response is not None:
        # A sensor that is this far from linear is a fault of the exposures it states.
        tested = replace(tested, response=None)
    return Answer(_name(origin, tested), *origin, frames, tested)


def _name(origin: Origin, tested: Tested) -> str:
    """Return a name that changes with the curve."""
    curve = () if tested.response is None else tested.response.light
    digest = hashlib.sha256(repr((tuple(origin), curve)).encode("utf-8", "backslashreplace"))
    return f"{origin.kind}-{digest.hexdigest()[:8]}"


def _view(frame: Bracketed, planes: Planes, moon: float) -> View:
    """Return what a frame shows; ``moon`` is a radius, full raw pixels."""
    values, factor = planes(frame.row)
    x, y = ((at + 0.5) / factor - 0.5 for at in frame.moon[:2])
    return view_of(values / np.float32(frame.range_adu), (x, y), moon / factor, frame.light)


def _pairs(views: Sequence[tuple[float, View]]) -> Iterator[tuple[View, View]]:
    for i, (when, view) in enumerate(views):
        for later, other in islice(views, i + 1, i + 1 + APART):
            ratio = max(other.light, view.light) / min(other.light, view.light)
            if RATIOS[0] < ratio < RATIOS[1] and not abs(later - when) > APART_S:
                yield view, other
