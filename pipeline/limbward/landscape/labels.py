"""Small labels on a picture that touch neither each other nor what must stay free."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import matplotlib
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

INK = (236, 232, 214)
OVER = 2  # everything is drawn at twice the size, for smooth lines
DASH_PX = 14.0
PAD = 3  # pixels of the picture between labels


@lru_cache(maxsize=16)
def font(height_px: int) -> ImageFont.FreeTypeFont:
    """Return the typeface that matplotlib ships, which has degrees and minus signs."""
    path = Path(matplotlib.get_data_path()) / "fonts" / "ttf" / "DejaVuSans.ttf"
    return ImageFont.truetype(str(path), height_px)


Box = tuple[float, float, float, float]


@dataclass
class Sheet:
    """A picture to draw on, and which parts of it are taken.

    Coordinates are pixels of the picture, the centre of the first at (0, 0). ``untouched`` is a
    disc, (x, y, radius), that no line crosses.
    """

    width: int
    height: int
    text_px: int
    taken: list[Box] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    untouched: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        self._over = Image.new("RGBA", (OVER * self.width, OVER * self.height), (0, 0, 0, 0))
        self._draw = ImageDraw.Draw(self._over)

    def keep_free(self, x: float, y: float, radius: float) -> None:
        """Let no label come near a place."""
        self.taken.append((x - radius, y - radius, x + radius, y + radius))

    def line(
        self,
        xy: NDArray[np.float64],
        colour: tuple[int, int, int],
        alpha: int,
        width_px: float = 1.0,
        *,
        dashed: bool = False,
    ) -> None:
        """Draw a line through places (N, 2); it is broken where they are not numbers."""
        if dashed:
            xy = _dashes(xy, DASH_PX)
        for k in range(len(xy) - 1):
            a, b = xy[k], xy[k + 1]
            if not (np.isfinite(a).all() and np.isfinite(b).all()):
                continue
            if max(abs(a[0] - b[0]), abs(a[1] - b[1])) > 0.5 * self.width:
                continue  # the two ends of a circle around the sky
            if self.untouched is not None and _passes(a, b, self.untouched):
                continue
            if max(np.abs(a).max(), np.abs(b).max()) > 4 * max(self.width, self.height):
                continue
            ends = [float(OVER * (v + 0.5)) for v in (*a, *b)]
            self._draw.line(ends, (*colour, alpha), max(1, round(OVER * width_px)))

    def circle(
        self, x: float, y: float, radius: float, colour: tuple[int, int, int], alpha: int
    ) -> None:
        """Draw a circle."""
        cx, cy, r = OVER * (x + 0.5), OVER * (y + 0.5), OVER * radius
        self._draw.ellipse((cx - r, cy - r, cx + r, cy + r), outline=(*colour, alpha), width=OVER)

    def label(
        self, text: str, x: float, y: float, away: float, *, size: float = 1.0, sides: str = "rlab",
        alpha: int = 235, colour: tuple[int, int, int] = INK, led: bool = False,
        solid: bool = False,
    ) -> bool:  # fmt: skip
        """Put words beside a place where there is room; return whether there was.

        Parameters
        ----------
        text : str
        x, y : float
        away : float
            Distance from the place, pixels.
        size : float
            Of the letters, in usual sizes.
        sides : str
            Which sides to try in turn: r(ight), l(eft), a(bove), b(elow), c(entre).
        alpha : int
        colour : tuple of int
        led : bool
            Whether it may stand further away, with a line to its place.
        solid : bool
            Whether it has a dark ground, for places where the picture is as bright as letters.
        """
        face = font(max(6, round(OVER * size * self.text_px)))
        left, top, right, bottom = face.getbbox(text)
        w, h = (right - left) / OVER, (bottom - top) / OVER
        for distance in (away, 2.2 * away, 4.0 * away, 7.0 * away) if led else (away,):
            for side in sides + ("1234" if led else ""):
                x0, y0 = _corner(side, x, y, distance, w, h)
                box = (x0 - PAD, y0 - PAD, x0 + w + PAD, y0 + h + PAD)
                if not self._is_free(box):
                    continue
                self.taken.append(box)
                if distance > away:
                    self._lead(x, y, box, away, colour)
                if solid:
                    corners = [OVER * v for v in box]
                    self._draw.rounded_rectangle(corners, OVER * PAD, fill=(0, 0, 0, 150))
                at = (OVER * x0 - left, OVER * y0 - top)
                self._draw.text(
                    at, text, (*colour, alpha), font=face,
                    stroke_width=OVER, stroke_fill=(0, 0, 0, 150),
                )  # fmt: skip
                return True
        self.left_out.append(text)
        return False

    def _is_free(self, box: Box) -> bool:
        if box[0] < 0 or box[1] < 0 or box[2] > self.width or box[3] > self.height:
            return False
        return not any(_touch(box, other) for other in self.taken)

    def _lead(
        self, x: float, y: float, box: Box, away: float, colour: tuple[int, int, int]
    ) -> None:
        """Draw a line from a place to the nearest point of its label."""
        end = np.array([np.clip(x, box[0], box[2]), np.clip(y, box[1], box[3])])
        start = np.array([x, y])
        apart = float(np.linalg.norm(end - start))
        if apart > away:
            self.line(np.stack([start + (end - start) * 0.7 * away / apart, end]), colour, 120)

    def over(self, picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return a picture (h, w, 3) with all that was drawn on it."""
        small = self._over.resize((self.width, self.height), Image.Resampling.BOX)
        base = Image.fromarray(picture).convert("RGBA")
        return np.asarray(Image.alpha_composite(base, small).convert("RGB"))


def _passes(
    a: NDArray[np.float64], b: NDArray[np.float64], disc: tuple[float, float, float]
) -> bool:
    """Return whether a straight line comes into a disc."""
    middle, way = np.array(disc[:2]), b - a
    part = np.clip((middle - a) @ way / max(float(way @ way), 1e-12), 0.0, 1.0)
    return bool(np.linalg.norm(a + part * way - middle) < disc[2])


def _dashes(xy: NDArray[np.float64], dash: float) -> NDArray[np.float64]:
    """Return a line as dashes of even length, with gaps of half of it that are not numbers."""
    pieces = []
    nothing = np.full((1, 2), np.nan)
    known = np.asarray(np.isfinite(xy).all(axis=1))
    for run in np.split(np.arange(len(xy)), np.flatnonzero(np.diff(known.astype(int))) + 1):
        if not known[run[0]] or run.size < 2:
            continue
        part = xy[run]
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(part, axis=0), axis=1))])
        if not 0.0 < along[-1] < 1e5:
            continue
        for start in np.arange(0.0, along[-1], 1.5 * dash):
            at = np.linspace(start, min(start + dash, along[-1]), 6)
            pieces += [np.stack([np.interp(at, along, part[:, c]) for c in (0, 1)], -1), nothing]
    return np.concatenate(pieces) if pieces else nothing


def _corner(side: str, x: float, y: float, away: float, w: float, h: float) -> tuple[float, float]:
    """Return the left top corner of a label of a size on a side of a place."""
    across = {"r": 1.0, "1": 0.7, "2": 0.7, "l": -1.0, "3": -0.7, "4": -0.7}.get(side, 0.0)
    down = {"b": 1.0, "1": 0.7, "3": 0.7, "a": -1.0, "2": -0.7, "4": -0.7}.get(side, 0.0)
    x0 = x + across * away - (w / 2 if not across else 0.0 if across > 0 else w)
    y0 = y + down * away - (h / 2 if not down else 0.0 if down > 0 else h)
    return x0, y0


def _touch(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]
