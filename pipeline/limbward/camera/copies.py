"""Pictures that lie in the input more than once, under whatever name and in whatever file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from limbward.camera.card import MADE_OF_RAW


@dataclass(frozen=True)
class Pictured:
    """A decoded frame, as far as it tells copies apart.

    Attributes
    ----------
    file, kind : str
        As of `limbward.camera.card.CardFile`.
    sha256, pixels_sha256 : str
        Of the file, and of its pixels; the latter may be empty.
    camera, serial, time : str
        Empty where not known.
    exposure_s : float or None
    linear : bool
        Whether it is no picture encoded for a display.
    measured : bool
        Whether limbs were measured in it.
    """

    file: str
    kind: str
    sha256: str
    pixels_sha256: str = ""
    camera: str = ""
    serial: str = ""
    time: str = ""
    exposure_s: float | None = None
    linear: bool = True
    measured: bool = False

    @property
    def shot(self) -> tuple[str, str, float] | None:
        """Camera, time and exposure, which tell pictures apart where all three are known."""
        if not (self.measured and self.camera and self.time and self.exposure_s):
            return None
        return self.camera, self.time, self.exposure_s

    @property
    def from_sensor(self) -> int:
        """How far from the sensor the file is: RAW, linear, encoded for a display, JPEG."""
        if self.kind == "raw":
            return 0
        return 3 if self.kind in MADE_OF_RAW else 1 + (not self.linear)

    @property
    def number(self) -> str:
        """The number of the frame in its name, the longest one there."""
        return max(re.findall(r"\d+", PurePosixPath(self.file).stem), key=len, default="")


@dataclass(frozen=True)
class Copy:
    """Which file a copy shows the picture of, and how it came about, in a sentence."""

    of: str
    note: str


def find_copies(pictures: Sequence[Pictured]) -> dict[int, Copy]:
    """Return the frames that show the picture of another one, by their place in the list.

    Copies are the same file under another name (a backup card); a file with the same pixels, of
    which only the Exif was edited or the container is another; and the TIFF, FITS or JPEG made from
    a RAW frame, known by camera, time and exposure. Each would count as one more exposure in the
    merge, whose sigma would then be too small, and as one more reading of the clock.

    The first of the list is kept; of a RAW frame and its export, the RAW frame.
    """
    files: dict[str, Pictured] = {}
    pixels: dict[str, Pictured] = {}
    found: dict[int, Copy] = {}
    for i, picture in enumerate(pictures):
        first = files.setdefault(picture.sha256, picture)
        if first is picture and picture.pixels_sha256:
            first = pixels.setdefault(picture.pixels_sha256, picture)
        if first is not picture:
            found[i] = Copy(first.file, f"It is a copy of {first.file}.")
    rest = {i: picture for i, picture in enumerate(pictures) if i not in found}
    return found | _exports(rest)


def _exports(pictures: dict[int, Pictured]) -> dict[int, Copy]:
    """Return the frames of which a file nearer to the sensor is there as well."""
    nearest: dict[tuple[str, str, float], Pictured] = {}
    for picture in pictures.values():
        shot = picture.shot
        if shot is not None:
            known = nearest.setdefault(shot, picture)
            if picture.from_sensor < known.from_sensor:
                nearest[shot] = picture
    found = {}
    for i, picture in pictures.items():
        shot = picture.shot
        if shot is None or picture.from_sensor <= nearest[shot].from_sensor:
            continue
        first = nearest[shot]
        serials = {picture.serial, first.serial} - {""}
        # Two bodies of a model may be released together. Of a burst within a second there may be
        # exports of some frames only; all its RAW frames are there.
        if len(serials) < 2 and (first.kind == "raw" or picture.number == first.number):
            note = f"It is a copy of {first.file}, exported to another format."
            found[i] = Copy(first.file, note)
    return found
