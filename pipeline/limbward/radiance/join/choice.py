"""Which bodies are merged together, and why others are not."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from limbward.camera.choice import camera_of_most
from limbward.errors import ConfigError
from limbward.radiance.field import Field
from limbward.radiance.selection import Files, Frames, Texts, choose

FEWEST = 5  # frames of totality that a body must have to be merged without being named
FINER, COARSER = 0.25, 4.0  # of the scale of the body with most frames
STATED = (
    "align.up_position_angle and align.pixel_scale_arcsec in the config can be true of one "
    "camera only; leave them out to merge several"
)
MISMATCH = 0.05  # of the brightness, by which two bodies' pictures may differ in structure


@dataclass(frozen=True)
class Candidate:
    """A body that may be merged.

    Attributes
    ----------
    frames : Frames
    named : bool
        Whether the config names it.
    """

    frames: Frames
    named: bool

    @property
    def body(self) -> tuple[str, str]:
        """Its name and serial number."""
        return self.frames.camera, self.frames.serial

    @property
    def linear(self) -> bool:
        """Whether its frames' numbers are in proportion to light."""
        return self.frames.linear

    @property
    def name(self) -> str:
        """Both in words."""
        return f"{self.frames.camera} {self.frames.serial}".strip()


def candidates(
    files: Files, named: Sequence[str] | None, where: str, note: Texts
) -> list[Candidate]:
    """Return the bodies that have frames to be merged, that with most of them first.

    Parameters
    ----------
    files : Files
    named : sequence of str, optional
        Names or serial numbers that the config gives; all bodies if not given.
    where : str
        Where it does, for the sentence of an error.
    note : ndarray of object, shape (N,)
        Gets a sentence for each usable frame that is left out.

    Raises
    ------
    ConfigError
        If no camera of the dump is called so.
    """
    bodies = list(zip(files.camera, files.serial, strict=True))
    count = Counter(b for b, ok in zip(bodies, files.usable, strict=True) if ok)
    wanted = sorted(count, key=lambda b: (-count[b], b))
    if named is not None:
        try:
            asked = [camera_of_most(bodies, files.usable, name) for name in named]
        except LookupError as error:
            raise ConfigError(f"{where}: {error}") from error
        for i in np.flatnonzero(files.usable):
            if bodies[i] not in asked:
                note[i] = "merge.cameras in the config does not name its camera"
        wanted = [b for b in wanted if b in asked]
    out = []
    for body in wanted:
        mine = files.usable & np.array([b == body for b in bodies])
        frames = choose(replace(files, usable=mine), None, where, note)
        if frames is not None:
            out.append(Candidate(frames, named is not None))
    return sorted(out, key=lambda c: -len(c.frames.row))


def why_not(main: tuple[Candidate, Field], other: tuple[Candidate, Field]) -> str:
    """Return why a body is not merged with the one with most frames; empty if it is.

    Parameters
    ----------
    main, other : (Candidate, Field)
    """
    first, body = main[0], other[0]
    if first.frames.linear and not body.frames.linear:
        return (
            f"its frames are display-referred, and those of {first.name} are linear; export them "
            "as linear 16-bit TIFF or use the RAW files"
        )
    if not (main[1].north_known and other[1].north_known):
        which = "its orientation" if main[1].north_known else f"the orientation of {first.name}"
        return f"{which} is not known, and without it the two cannot be laid on each other"
    if body.named:
        return ""
    if len(body.frames.row) < FEWEST:
        return (
            f"it has fewer than {FEWEST} frames of totality; name both cameras under merge.cameras "
            "to merge it all the same"
        )
    ratio = other[1].grid.scale_arcsec / main[1].grid.scale_arcsec
    if not FINER <= ratio <= COARSER:
        times, than = (ratio, "coarser") if ratio > 1 else (1.0 / ratio, "finer")
        return (
            f"its pixels are {times:.1f} times {than} than those of {first.name}; name both "
            "cameras under merge.cameras to merge it all the same"
        )
    return ""


def joined(
    placed: Sequence[tuple[Candidate, Field]], stated: bool, note: Texts
) -> tuple[list[tuple[Candidate, Field]], list[str]]:
    """Return the bodies that are merged together, and a sentence for each that is not.

    Parameters
    ----------
    placed : sequence of (Candidate, Field)
        That with most frames first.
    stated : bool
        Whether the config gives scale and turn of the camera, which can be true of one only.
    note : ndarray of object, shape (N,)
        Gets a sentence for each frame of a body that is left out.
    """
    out, said = list(placed[:1]), []
    for other in placed[1:]:
        why = why_not(placed[0], other) or (STATED if stated else "")
        if not why:
            out.append(other)
            continue
        note[other[0].frames.row] = (
            f"the merge uses another camera, {placed[0][0].name}, and not this one: {why}"
        )
        said.append(f"{other[0].name} is not merged: {why}.")
    return out, said


def untried(files: Files, tried: Sequence[Candidate], note: Texts) -> list[tuple[str, str, str]]:
    """Return camera and serial number of bodies with usable frames that were not tried, and why."""
    bodies = {c.body for c in tried}
    out: dict[tuple[str, str], str] = {}
    for row in np.flatnonzero(files.usable):
        body = files.camera[row], files.serial[row]
        if body not in bodies:
            out.setdefault(body, str(note[row]))
    return [(*body, why) for body, why in out.items()]
