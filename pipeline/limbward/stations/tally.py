"""How far a campaign is: stations, frames, bytes, time left."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

EVERY_S = 5.0
FINISHING = 1.0  # times as long as measuring a station's frames takes what follows, at first


@dataclass
class Tally:
    """Counts what is done.

    Attributes
    ----------
    say : callable
        Takes a line, at most every `EVERY_S` seconds.
    clock : callable
        Seconds.
    """

    say: Callable[[str], None]
    clock: Callable[[], float] = time.monotonic
    stations: int = 0
    frames: int = 0
    size: int = 0
    stations_done: int = 0
    frames_done: int = 0
    size_done: int = 0
    _begun: float = field(default=-1.0, repr=False)
    _said: float = field(default=0.0, repr=False)

    def expect(self, stations: int = 0, frames: int = 0, size: int = 0) -> None:
        """Count what there is to be done."""
        if self._begun < 0:
            self._begun = self._said = self.clock()
        self.stations += stations
        self.frames += frames
        self.size += size

    def done(self, stations: int = 0, frames: int = 0, size: int = 0) -> None:
        """Count what is done, and say so now and then."""
        self.stations_done += stations
        self.frames_done += frames
        self.size_done += size
        now = self.clock()
        if now - self._said >= EVERY_S or self.stations_done == self.stations:
            self._said = now
            self.say(self.line())

    def line(self) -> str:
        """Return how far it is.

        Examples
        --------
        >>> tally = Tally(print, clock=iter([0.0, 60.0, 60.0]).__next__)
        >>> tally.expect(stations=4, frames=400, size=8_000_000_000)
        >>> tally.done(stations=1, frames=100, size=2_000_000_000)
        1 of 4 stations, 100 of 400 frames, 2.0 of 8.0 GB, 3 min left
        """
        text = (
            f"{self.stations_done} of {self.stations} stations, {self.frames_done} of "
            f"{self.frames} frames, {self.size_done / 1e9:.1f} of {self.size / 1e9:.1f} GB"
        )
        left = self.left_s()
        return text if left is None else f"{text}, {_in_words(left)} left"

    def left_s(self) -> float | None:
        """Return the seconds that are left at the pace so far; None while nothing tells it."""
        # A frame is worth as much when it is measured as when its station is done with it.
        share = _ratio(self.frames_done, self.frames)
        whole = _ratio(self.stations_done, self.stations)
        part = (share + FINISHING * whole) / (1.0 + FINISHING)
        if part <= 0.0 or self.stations_done == self.stations:
            return None
        return (self.clock() - self._begun) * (1.0 - part) / part


def _ratio(done: int, all_: int) -> float:
    return done / all_ if all_ else 0.0


def _in_words(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
