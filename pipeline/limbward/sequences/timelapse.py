"""A time-lapse of an eclipse: which frames, evenly exposed, and its pictures one by one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.compiled import in_threads
from limbward.radiance.scratch import Room, let_go
from limbward.render.writers import to_16_bits
from limbward.sequences.canvas import Canvas, Label, stamp, wrapped
from limbward.sequences.cut import Cut, View
from limbward.sequences.film import blended
from limbward.sequences.frame_edge import fading
from limbward.sequences.layout import evenly, places
from limbward.sequences.shots import Shots
from limbward.sequences.showing import Showing, Shown
from limbward.sequences.steady import steadied
from limbward.sequences.usual import Usual

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]  # (H, W, 3)

SAME_EXPOSURE = 1.3  # ratio
STILLS = 8  # of the film, for the report
STILL_PX = 1080  # their longer sides, at most


def choose(shots: Shots, wanted_s: float | None) -> NDArray[np.int64]:
    """Return the frames of the film: all through the filter; without it those of like exposure.

    A bracket's frames would flash. Of its exposures one of the shorter is taken unless the config
    says otherwise: it shows prominences and is nearest to the exposures used at the contacts. Near
    the contacts, where there may be no frame of the usual exposure, the nearest one of each second
    is taken.
    """
    filtered = shots.phase == "partial"
    bare = np.flatnonzero(~filtered)
    if not bare.size:
        return np.flatnonzero(filtered)
    dark = bare[shots.phase[bare] == "totality"]
    pool = np.sort(shots.light[dark if dark.size else bare])
    target = wanted_s if wanted_s is not None else float(pool[(pool.size - 1) // 3])
    far = np.abs(np.log(shots.light / target))
    chosen = []
    seconds = np.floor(shots.middle_s[bare])
    for s in np.unique(seconds):
        here = bare[seconds == s]
        best = int(here[np.argmin(far[here])])
        if far[best] < math.log(SAME_EXPOSURE) or shots.phase[best] == "contact":
            chosen.append(best)
    return np.sort(np.concatenate([np.flatnonzero(filtered), np.array(chosen, np.int64)]))


SHAPES = {"square": (1, 1), "16:9": (16, 9), "9:16": (9, 16)}


def film_size(shape: str, size_px: int) -> tuple[int, int]:
    """Return rows and columns of a film, both even as its formats want, by its shorter side.

    Examples
    --------
    >>> film_size("16:9", 2160)
    (2160, 3840)
    """
    width, height = SHAPES[shape]
    least = min(width, height)
    rows, columns = (2 * round(size_px * side / least / 2.0) for side in (height, width))
    return rows, columns


def film_scale(shots: Shots, field_radii: float, side: int) -> float:
    """Return the scale, arcsec per pixel, at which so many radii reach from middle to side."""
    scale = float(np.median(shots.straight(shots.sun)[:, 2])) * shots.scale_arcsec()
    return scale * (field_radii / (side / 2.0))


@dataclass(frozen=True)
class Look:
    """How a film is shown.

    Attributes
    ----------
    size : tuple of int
        Rows and columns of its pictures, no more than a view's side.
    hold, between, dissolve : int
        Pictures of each frame, and between two frames: alike, or with and without the filter.
    time : bool
        Whether each picture shows its UTC.
    deflicker : bool
        Whether frames are brought to the usual brightness.
    per_second : float or None
        Pictures for each second of the eclipse, evenly; None shows each frame for ``hold``.
    real : tuple of float or None
        Seconds from the epoch between which the film has another even pace, and its pictures for
        each second.
    average : int
        Frames of totality that are averaged in each of their pictures, to hold the noise down.
    """

    size: tuple[int, int]
    hold: int
    between: int
    dissolve: int
    time: bool
    deflicker: bool
    per_second: float | None = None
    real: tuple[float, float, float] | None = None
    average: int = 1

    @property
    def even(self) -> bool:
        """Whether any of the film keeps to the time of the eclipse."""
        return self.per_second is not None or self.real is not None


@dataclass
class Film:
    """The pictures of a film, made one at a time; what is remembered of each is a few numbers."""

    shots: Shots
    views: Sequence[View]
    look: Look
    usual: Usual
    entries: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    stills: dict[int, Bytes] = field(default_factory=dict)
    lead: int = 0  # pictures of the title card before the first frame
    room: Room = field(default_factory=lambda: np.empty)  # makes arrays of the size of a picture

    def slots(self) -> NDArray[np.int64]:
        """Return how many pictures each frame has, those that lead over to it included.

        Without an even pace these are not counted, and it has ``hold``. At an even pace a frame may
        have none, where several fall into one picture; the last one has ``hold``.
        """
        hold = np.full(len(self.shots), self.look.hold, np.int64)
        if self.look.even:
            hold[:-1] = np.diff(np.rint(self.position(self.shots.middle_s)).astype(np.int64))
        return hold

    def position(self, since_greatest_s: Floats) -> Floats:
        """Return where instants are in the film, pictures after that of the first frame."""
        look, frames = self.look, self.shots.middle_s
        first, last, fast = look.real or (math.inf, math.inf, 0.0)
        edges = [t for t in (first, last) if frames[0] < t < frames[-1]]
        knots = np.unique(np.concatenate([frames, edges]))
        middle, steps = 0.5 * (knots[1:] + knots[:-1]), np.diff(knots)
        pace = np.full(steps.size, look.per_second or 0.0)
        if look.per_second is None:
            times = np.unique(frames)
            pace = look.hold / np.diff(times)[np.searchsorted(times, middle) - 1]
        pace[(middle > first) & (middle < last)] = fast
        at = np.concatenate([[0.0], np.cumsum(pace * steps)])
        return np.asarray(np.interp(since_greatest_s, knots, at))

    def titled(
        self, words: Sequence[str], count: int, pictures: Iterable[Bytes]
    ) -> Iterator[Bytes]:
        """Yield ``count`` pictures of a title card, then the film's; ``words`` are its lines."""
        rows, columns = self.look.size
        height = 0.075 * min(rows, columns)
        lines = [line for k, text in enumerate(words) for line in self._lines(text, height, k)]
        top = 0.5 * rows - 0.8 * height * len(lines)
        card = np.zeros((rows, columns, 3), np.uint8) if count else None
        if card is not None:
            for k, (line, size) in enumerate(lines):
                stamp(card, Label(line, 0.5 * columns, top + 1.6 * height * k, size))
            for _ in range(count):
                yield card
        del card
        self.lead = count
        yield from pictures

    def _lines(self, text: str, height: float, k: int) -> list[tuple[str, float]]:
        """Return a line of the card in as many as its width asks for; the first is a heading."""
        size = height if k == 0 else 0.6 * height
        return [(line, size) for line in wrapped(text, size, 0.84 * self.look.size[1])]

    def pictures(self, made: Iterable[tuple[int, Cut | str]]) -> Iterator[Bytes]:
        """Yield the film's pictures, one after the other, from the Sun's disc cut out of frames."""
        look, room = self.look, self.room
        bare = self.shots.phase != "partial"
        showing = Showing(self.shots, self.views, self.usual, look.deflicker, room)
        kept = set(evenly(np.arange(len(self.shots), dtype=float), STILLS).tolist())
        slots, even = self.slots(), look.even
        # What waits for a dissolve waits in 16 bits, half of what it has while it is made.
        before, after = (room((*look.size, 3), np.uint16) for _ in range(2))
        was_bare, begun = False, False
        shown = last = owed = 0
        for i, c in steadied(made, self.shots, self.views, look.average, room):
            if isinstance(c, str):
                self.notes.append(f"{self.shots.file[i]} is not in the film: {c}")
                owed += int(slots[i])
                continue
            hold = int(slots[i])
            if even:  # what came before and could not be read is made up for
                hold += owed
                owed = 0
                if not hold:
                    continue
            entry, picture = showing.of(i, c)
            self._kept(picture, i, after)
            del picture, c
            if begun:
                lead = look.dissolve if bool(bare[i]) != was_bare else look.between
                if even:
                    lead = min(lead, hold - 1)
                    hold -= lead
                for k in range(lead):
                    image = blended(before, after, (k + 1) / (lead + 1))
                    # Two times drawn over each other could not be read: that of the nearer one.
                    yield self._stamped(image, last if 2 * k < lead - 1 else i)
                    del image
                    shown += 1
            self.entries.append(entry | {"first_picture": self.lead + shown})
            image = self._stamped(blended(before, after, 1.0), i)
            if i in kept:
                step = max(2, math.ceil(max(look.size) / STILL_PX))
                self.stills[i] = image[::step, ::step].copy()
            for _ in range(hold):
                yield image
                shown += 1
            del image
            before, after, was_bare, last, begun = after, before, bool(bare[i]), i, True

    def _kept(self, picture: Shown, i: int, out: NDArray[np.uint16]) -> None:
        """Write the middle of a square picture, of which some rows come after the others."""
        (rows, columns), side = self.look.size, self.views[i].side
        top, left = (side - rows) // 2, (side - columns) // 2
        fade = fading(self.shots, i, self.views[i])
        for some, part in picture:
            first, last = max(some.start, top), min(some.stop, top + rows)
            if first >= last:
                continue
            own = part[:, first - some.start : last - some.start, left : left + columns]
            if fade is not None:
                own *= fade(slice(first, last))[:, left : left + columns]
            own_rows = np.asarray(out[first - top : last - top])
            in_threads(to_16_bits, len(own_rows), own, own_rows)
            let_go(out)

    def _stamped(self, image: Bytes, i: int) -> Bytes:
        """Return a picture with a frame's time drawn in, if that is asked for."""
        look = self.look
        if look.time:
            height = max(12.0, 0.028 * min(look.size))
            text = f"{self.shots.clock_text(i)} UTC"
            stamp(image, Label(text, height, look.size[0] - 2 * height, height, False))
        return image

    def flicker(self) -> tuple[float | None, float | None]:
        """Return the RMS change of the disc's middle from frame to frame, before and after."""
        out: list[float | None] = []
        for name in ("middle", "middle_shown"):
            values = np.array([e[name] for e in self.entries if e["filter"] and e[name]])
            if values.size < 2:
                return None, None
            steps = np.diff(values) / np.mean(values)
            out.append(round(float(np.sqrt(np.mean(steps**2))), 6))
        return out[0], out[1]

    def numbers(self, count: int, rate: float) -> dict[str, str]:
        """Return what the report says of the film: ``count`` pictures, ``rate`` a second."""
        rows, columns = self.look.size
        numbers = {
            "photographs": str(len(self.entries)),
            "pictures": f"{count} at {rate:g} per second, {count / rate:.1f} s",
            "size": f"{columns} x {rows} px",
        }
        before, after = self.flicker()
        if before is not None and after is not None:
            numbers["flicker of the disc's middle, frame to frame"] = (
                f"{100 * before:.1f} % before, {100 * after:.2f} % after"
            )
        return numbers

    def details(self, count: int, rate: float, up: str) -> dict[str, Any]:
        """Return what is known of the film and its frames, for other programs.

        Parameters
        ----------
        count : int
            Pictures written.
        rate : float
            Pictures a second.
        up : str
            What is up, as `Shots.up` takes it.
        """
        view, (before, after) = self.views[0], self.flicker()
        return {
            "width": self.look.size[1],
            "height": self.look.size[0],
            "rate": rate,
            "pictures": count,
            "duration_s": round(count / rate, 4),
            "up": up,
            "scale_arcsec": round(view.scale_arcsec, 5),
            "flicker_before": before,
            "flicker_after": after,
            "frames": self.entries,
        }

    def contact_sheet(self) -> Pixels:
        """Return a few pictures of the film side by side, with their times."""
        cell = float(max(next(iter(self.stills.values())).shape))
        centres, size = places("grid", len(self.stills), cell)
        canvas = Canvas.blank(*size)
        for (i, still), (x, y) in zip(self.stills.items(), centres, strict=True):
            picture = np.moveaxis(still.astype(np.float32) / np.float32(255.0), -1, 0)
            canvas.lighten(picture, float(x), float(y))
            if not self.look.time:
                text = f"{self.shots.clock_text(i)} UTC"
                below, height = float(y) + 0.43 * len(still), max(10.0, 0.035 * cell)
                canvas.labels.append(Label(text, float(x), below, height))
        return canvas.drawn()
