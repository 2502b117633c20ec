"""Wide frames with what was found of them: times, places of the Sun, words for captions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property

import numpy as np
from astropy.time import TimeDelta
from numpy.typing import NDArray

from limbward.landscape.crescent import light_left
from limbward.landscape.heavens import SUN, Heavens
from limbward.landscape.session import Frame, Session
from limbward.sky.circumstances import iso_utc

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_SIGMA_S = 1.0  # of a clock by light: thin cloud comes and goes


@dataclass(frozen=True)
class Solved:
    """N wide frames of one camera and lens, in the order of shooting, and their session.

    Attributes
    ----------
    file : list of str
        Their names.
    frames : list of Frame
    exposure_s : ndarray, shape (N,)
    session : Session
    heavens : Heavens
    timed : bool
        Whether their clock was known beforehand.
    zone_hours : float or None
        The camera's zone, as far as it is said.
    """

    file: list[str]
    frames: list[Frame]
    exposure_s: Floats
    session: Session
    heavens: Heavens
    timed: bool
    zone_hours: float | None

    @cached_property
    def since_s(self) -> Floats:
        """The middles of the exposures, true seconds from greatest eclipse; NaN without a time."""
        return np.array([f.reading_s for f in self.frames]) - self.session.fit.offset_s

    @cached_property
    def within_s(self) -> Floats:
        """The same, none of them beyond what `heavens` covers."""
        return np.clip(np.nan_to_num(self.since_s), self.heavens.first_s, self.heavens.last_s)

    @cached_property
    def share(self) -> Floats:
        """How much of the Sun's light the Moon left, 0 to 1."""
        return light_left(self.heavens, self.within_s).share

    @property
    def placed(self) -> Mask:
        """Which frames have a pose."""
        return self.session.stand >= 0

    @property
    def dark(self) -> Mask:
        """Which frames show no landscape."""
        return np.array([f.seen.dark for f in self.frames], bool)

    @property
    def with_sun(self) -> Mask:
        """In which frames the Sun or the corona was found."""
        return np.array([f.seen.sun is not None for f in self.frames], bool)

    @property
    def sigma_s(self) -> float:
        """Error of the clock."""
        return max(self.session.fit.offset_sigma_s, 0.0 if self.timed else LEAST_SIGMA_S)

    def sun(self, k: int) -> Floats:
        """Return the Sun's direction in a frame."""
        return self.heavens.vector_of(SUN, np.array(self.since_s[k]))

    def fill(self, k: int) -> float:
        """Return how bright a frame's sky is, of the sensor's range."""
        return self.frames[k].seen.level / self.frames[k].seen.white

    def best(self, rows: Mask, worth: Callable[[int], tuple[float, ...]]) -> int | None:
        """Return the frame that is worth most, the first of equals; None if there is none."""
        return max(np.flatnonzero(rows).tolist(), key=worth, default=None)

    def find(self, name: str) -> int:
        """Return the number of a frame by its name or the end of its path.

        Raises
        ------
        LookupError
            If it is none of the frames, or not solved.
        """
        for k, file in enumerate(self.file):
            if file == name or file.endswith(f"/{name}"):
                if self.placed[k]:
                    return k
                raise LookupError(
                    f"nothing in {file} shows where the camera pointed; choose a frame with "
                    "the Sun in it, or one between two such frames."
                )
        raise LookupError(
            f"{name!r} is none of the {len(self.file)} wide frames; the first is {self.file[0]}."
        )

    def stand_of_most(self, rows: Mask) -> int:
        """Return the place of the tripod that most of some frames have; 0 if none has one."""
        known = self.session.stand[rows & self.placed]
        return int(np.bincount(known).argmax()) if known.size else 0

    def utc(self, k: int) -> str:
        """Return the middle of a frame's exposure in ISO 8601."""
        return iso_utc(self.heavens.epoch + TimeDelta(float(self.since_s[k]), format="sec"))

    def starts_utc(self) -> list[str]:
        """Return the starts of all exposures in ISO 8601, empty where not known."""
        start = self.since_s - 0.5 * self.exposure_s
        epoch = self.heavens.epoch
        return [
            iso_utc(epoch + TimeDelta(float(t), format="sec")) if np.isfinite(t) else ""
            for t in start
        ]

    def clock_words(self, k: int, *, date: bool = True) -> str:
        """Return a frame's time of day for a caption, UTC and local."""
        when = self.heavens.epoch.utc.to_datetime() + timedelta(seconds=float(self.since_s[k]))
        local = ""
        if self.zone_hours is not None and self.zone_hours:
            local = f" ({when + timedelta(hours=self.zone_hours):%H:%M:%S} local time)"
        return f"{when:%Y-%m-%d %H:%M:%S} UTC{local}" if date else f"{when:%H:%M:%S} UTC{local}"

    def foot(self, k: int, site: str) -> str:
        """Return the line below a frame's annotated copy."""
        lens = self.session.fit.lens.projection
        kind = "rectilinear lens" if lens == "rectilinear" else f"{lens} fisheye"
        return ", ".join(w for w in (self.clock_words(k), site, kind) if w)
