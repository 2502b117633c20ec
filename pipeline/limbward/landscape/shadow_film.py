"""A film of the light that goes and comes back, of the wide frames of one tripod."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from limbward.landscape.annotate import SHADOW_INK, Edge, edge_line, pixels_of
from limbward.landscape.brightness import levels_of
from limbward.landscape.develop import Developed
from limbward.landscape.even_light import EvenLight, even_light
from limbward.landscape.heavens import SUN
from limbward.landscape.labels import Sheet
from limbward.landscape.solved import Solved
from limbward.render.space import SRGB

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]

SPAN_S = 1800.0  # either way of greatest eclipse: before, three quarters of the light are left
FILLED = 0.9  # of the range: of a sky that is brighter nothing is known
BRACKET_S = 3.0  # between frames of one bracket, of which the best exposed is taken
WELL = 0.15  # of the range: a sky exposed so has room for the glow at the horizon
LEAST_FRAMES = 8
BRIGHT, DARKEST = 0.40, 0.02  # of white, linear: how the sky is drawn at its ends
GLARE = 4.0  # what is overexposed is drawn so many times as bright as white, before the shoulder
STILLS, ACROSS = 6, 3  # of the film, for the report


def film_frames(solved: Solved) -> list[int]:
    """Return the frames of the film, in order of time: unfiltered, of one tripod, well exposed.

    Of frames that follow each other within three seconds with other settings, the best exposed one.
    """
    shows = solved.placed & np.isfinite(solved.since_s) & ~solved.dark
    shows &= np.abs(solved.since_s) < SPAN_S
    shows &= np.array([solved.fill(k) < FILLED for k in range(len(solved.frames))], bool)
    shows &= solved.session.stand == solved.stand_of_most(shows)
    rows = [int(k) for k in np.argsort(solved.since_s) if shows[k]]
    rows = [k for k, level in zip(rows, _sky(solved, rows), strict=True) if level > 0]
    brackets: list[list[int]] = []
    for k in rows:
        same = brackets[-1] if brackets else []
        settings = {solved.frames[i].light for i in same}
        near = same and solved.since_s[k] - solved.since_s[same[-1]] < BRACKET_S
        if near and solved.frames[k].light not in settings:
            same.append(k)
        else:
            brackets.append([k])
    return [min(b, key=lambda k: abs(np.log(solved.fill(k) / WELL))) for b in brackets]


def _sky(solved: Solved, rows: Sequence[int]) -> Floats:
    """Return the sky's brightness: high up, or low where frames show no more; 0 if not known."""
    levels = levels_of(solved, rows)
    high, low = np.array([v.high for v in levels]), np.array([v.low for v in levels])
    return np.nan_to_num(high if np.isfinite(high).sum() >= np.isfinite(low).sum() else low)


def film_light(solved: Solved, rows: Sequence[int]) -> EvenLight:
    """Return how bright the sky was in the frames of a film, and what their exposures are off."""
    light = np.array([solved.frames[k].light for k in rows])
    return even_light(
        solved.since_s[list(rows)], _sky(solved, rows), solved.share[list(rows)], light
    )


def drawn(level: Floats) -> Floats:
    """Return how bright the sky is drawn, of white in linear light, where it was so bright.

    A power of the brightness, the same all through the film, as an eye that adapts sees it: of two
    skies the darker one is drawn darker, whatever the exposures were.
    """
    reach = float(np.log(level.max() / level.min()))
    power = min(1.0, np.log(BRIGHT / DARKEST) / reach) if reach > 0 else 1.0
    return np.asarray(BRIGHT * (level / level.max()) ** power)


def shown(developed: Developed, gain: float) -> Pixels:
    """Return a frame's colours times a gain, encoded (3, h, w), with a shoulder towards white."""
    light = developed.picture * np.float32(gain)
    # Towards the end of the sensor's range, where it can tell no more, the picture becomes white.
    light += np.float32(GLARE) * developed.picture.max(axis=0) ** 8
    return SRGB.encode(np.float32(1.0) - np.exp(-light))


@dataclass
class ShadowFilm:
    """The pictures of the film, made one at a time.

    Attributes
    ----------
    solved : Solved
    rows : list of int
        Its frames.
    light : EvenLight
    hold, between : int
        Pictures of each frame, and blended between two of them.
    site : str
        For the line below.
    edges : callable
        From seconds to the umbra's edge.
    """

    solved: Solved
    rows: list[int]
    light: EvenLight
    hold: int
    between: int
    site: str
    edges: Callable[[float], Sequence[Edge]]
    entries: list[dict[str, Any]] = field(default_factory=list)
    stills: list[Pixels] = field(default_factory=list)
    size: tuple[int, int] = (0, 0)

    def pictures(self, made: Iterable[tuple[int, Developed]]) -> Iterator[Pixels]:
        """Yield the film's pictures, encoded (3, H, W) with even sides, from developed frames."""
        target = drawn(self.light.level)
        at = {k: n for n, k in enumerate(self.rows)}
        kept = set(np.linspace(0, len(self.rows) - 1, STILLS).round().astype(int).tolist())
        before: tuple[int, Pixels] | None = None
        count = 0
        for k, developed in made:
            n = at[k]
            # The shoulder draws the sky a little darker than the gain alone: taken into account.
            gain = -np.log(1.0 - target[n]) / self.light.level[n] * self.light.factor[n]
            picture = shown(
                developed, float(gain) * developed.white_adu / self.solved.frames[k].light
            )
            if before is not None:
                for step in range(1, self.between + 1):
                    part = step / (self.between + 1)
                    mixed = before[1] * np.float32(1.0 - part) + picture * np.float32(part)
                    t = [float(self.solved.since_s[i]) for i in (before[0], k)]
                    nearer = k if part > 0.5 else before[0]
                    yield self._finished(mixed, nearer, (1 - part) * t[0] + part * t[1], developed)
                    count += 1
            whole = self._finished(picture, k, float(self.solved.since_s[k]), developed)
            self.entries.append(
                {"file": self.solved.file[k], "utc": self.solved.utc(k), "first_picture": count,
                 "sky": float(f"{self.light.level[n]:.5g}"), "drawn": round(float(target[n]), 5),
                 "factor": round(float(self.light.factor[n]), 4)}
            )  # fmt: skip
            if n in kept:
                self.stills.append(self._still(picture, k))
            self.size = (whole.shape[2], whole.shape[1])
            for _ in range(self.hold):
                yield whole
                count += 1
            before = (k, picture)

    def _finished(self, picture: Pixels, k: int, t: float, developed: Developed) -> Pixels:
        """Return a picture with the umbra's edge at a time and the line of a frame below."""
        h, w = picture.shape[1:]
        sheet = Sheet(w, h, _text_px(w))
        at, words = pixels_of(self.solved.session.camera(k), developed.factor), ""
        sun = at(self.solved.heavens.vector_of(SUN, np.array(t)))
        if np.isfinite(sun).all():
            sheet.untouched = (float(sun[0]), float(sun[1]), 2.0 * sheet.text_px)
        for vectors, named in self.edges(t):
            line = at(vectors)
            edge_line(sheet, line)
            if np.any((line > 0) & (line < (w, h)), axis=0).all():
                words = f"dashed: {named}"
        return self._with_line(_floats(sheet.over(_bytes(picture))) if words else picture, k, words)

    def _with_line(self, picture: Pixels, k: int, words: str = "") -> Pixels:
        """Return a picture of even sides with a frame's time below, and other words on the right.

        Those would jump about beside what they tell of.
        """
        h, w = (n // 2 * 2 for n in picture.shape[1:])
        text = _text_px(w)
        band = round(1.3 * text) * 2
        foot = Sheet(w, band, text)
        time = ", ".join(v for v in (self.solved.clock_words(k), self.site) if v)
        foot.label(time, 0.5 * text, band / 2, 0.0, sides="r")
        foot.label(words, w - 0.5 * text, band / 2, 0.0, sides="l", colour=SHADOW_INK)
        below = _floats(foot.over(np.zeros((band, w, 3), np.uint8)))
        return np.concatenate([picture[:, :h, :w], below], axis=1)

    def _still(self, picture: Pixels, k: int) -> Pixels:
        h, w = picture.shape[1:]
        small = Image.fromarray(_bytes(picture)).resize((w // 2, h // 2), Image.Resampling.BOX)
        return self._with_line(_floats(np.asarray(small)), k)

    def contact_sheet(self) -> Pixels:
        """Return some pictures of the film beside each other, in order of time."""
        blank = np.zeros_like(self.stills[0])
        cells = [*self.stills, *[blank] * (-len(self.stills) % ACROSS)]
        lines = [cells[k : k + ACROSS] for k in range(0, len(cells), ACROSS)]
        return np.concatenate([np.concatenate(line, axis=2) for line in lines], axis=1)

    def numbers(self, count: int, rate: float) -> dict[str, str]:
        """Return what the report says of ``count`` pictures, ``rate`` a second."""
        level, off = self.light.level, np.abs(np.log(self.light.factor))
        return {
            "photographs": str(len(self.entries)),
            "pictures": f"{count} at {rate:g} per second, {count / rate:.1f} s",
            "size": f"{self.size[0]} x {self.size[1]} px",
            "sky, brightest over darkest": f"{level.max() / level.min():.3g}",
            "evened out": f"{100 * float(np.median(off)):.1f} % in the median, "
            f"{100 * float(off.max()):.0f} % at most",
        }


def _text_px(width: int) -> int:
    return max(11, round(width / 70))


def _bytes(picture: Pixels) -> NDArray[np.uint8]:
    scaled = np.rint(255.0 * np.clip(picture, 0.0, 1.0))
    return np.ascontiguousarray(np.moveaxis(scaled, 0, -1).astype(np.uint8))


def _floats(picture: NDArray[np.uint8]) -> Pixels:
    return np.moveaxis(picture, -1, 0).astype(np.float32) / np.float32(255.0)
