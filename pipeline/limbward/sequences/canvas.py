"""A dark sheet on which cells and letters are put, as pixels and as a page of PDF."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib.util import find_spec
from os import PathLike
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from limbward.radiance.scratch import Room, by_rows

Pixels = NDArray[np.float32]

INK = (0.86, 0.84, 0.76)  # encoded sRGB of the letters
PDF_DPI = 150


@dataclass(frozen=True)
class Label:
    """A line of text; (x, y) is the middle of its top edge, or its left end if not ``centred``."""

    text: str
    x: float
    y: float
    height_px: float
    centred: bool = True


@dataclass
class Canvas:
    """Pixels from 0 to 1, encoded (3, H, W), and the labels that are to stand on them."""

    picture: Pixels
    labels: list[Label] = field(default_factory=list)
    # Makes arrays of the size of the picture, of zeros.
    room: Room = field(default_factory=lambda: np.zeros)

    @staticmethod
    def blank(width: float, height: float, room: Room = np.zeros) -> Canvas:
        """Return a black canvas; its sides are even, as films need."""
        even = (3, 2 * round(height / 2), 2 * round(width / 2))
        return Canvas(room(even, np.float32), room=room)

    def lighten(self, cell: Pixels, x: float, y: float) -> tuple[float, float]:
        """Put a cell's centre at (x, y), keeping the lighter of old and new where cells overlap.

        Returns
        -------
        tuple of float
            Where the centre is: cells are moved by whole pixels only.
        """
        _, h, w = cell.shape
        left, top = round(x - (w - 1) / 2.0), round(y - (h - 1) / 2.0)
        rows, columns = self.picture.shape[1:]
        y0, y1, x0, x1 = max(top, 0), min(top + h, rows), max(left, 0), min(left + w, columns)
        for rows in by_rows(max(y1 - y0, 0), self.picture, cell):
            target = self.picture[:, y0 + rows.start : y0 + rows.stop, x0:x1]
            part = slice(y0 - top + rows.start, y0 - top + rows.stop)
            np.maximum(target, cell[:, part, x0 - left : x1 - left], out=target)
        return left + (w - 1) / 2.0, top + (h - 1) / 2.0

    def foot(self, words: str, x: float, y: float, height_px: float) -> None:
        """Put words at the bottom, from (x, y) on, in as many lines as the width asks for.

        The canvas grows by each line after the first.
        """
        width = self.picture.shape[2] - 2.0 * x
        lines = wrapped(words, height_px, width)
        step = 1.4 * height_px
        for k, line in enumerate(lines):
            self.labels.append(Label(line, x, y + k * step, height_px, False))
        self.picture = self._copied(2 * round((len(lines) - 1) * step / 2.0))

    def _copied(self, more: int) -> Pixels:
        """Return the picture with so many rows below."""
        _, height, width = self.picture.shape
        out = self.room((3, height + more, width), np.float32)
        for rows in by_rows(height, self.picture, out):
            out[:, rows] = self.picture[:, rows]
        return out

    def drawn(self) -> Pixels:
        """Return the picture with the labels drawn in."""
        out = self._copied(0)
        for label in self.labels:
            draw_text(out, label)
        return out


@lru_cache(maxsize=16)
def _font(height_px: int) -> ImageFont.FreeTypeFont:
    # The typeface that matplotlib ships has the signs (minus, degree, prime) that labels need. With
    # all that writes a page of PDF it takes 37 MB of memory, which no film has to have loaded.
    package = find_spec("matplotlib")
    assert package is not None
    assert package.origin is not None
    path = Path(package.origin).parent / "mpl-data" / "fonts" / "ttf" / "DejaVuSans.ttf"
    return ImageFont.truetype(str(path), height_px)


def wrapped(words: str, height_px: float, width: float) -> list[str]:
    """Return words in lines no wider than so many pixels; a longer word has a line of its own."""
    font = _font(max(8, round(height_px)))
    lines: list[str] = []
    for word in words.split():
        if lines and font.getlength(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines or [""]


def draw_text(picture: Pixels, label: Label) -> None:
    """Draw a label into an encoded picture (3, H, W), with a dark rim that parts it from light."""
    font = _font(max(8, round(label.height_px)))
    left, top, right, bottom = (round(v) for v in font.getbbox(label.text))
    rim = max(1, round(label.height_px / 12))
    w, h = right - left + 2 * rim, bottom - top + 2 * rim
    x0 = round(label.x - (w / 2 if label.centred else 0))
    y0 = round(label.y)
    masks = []
    for stroke in (rim, 0):
        image = Image.new("L", (w, h), 0)
        draw = ImageDraw.Draw(image)
        draw.text((rim - left, rim - top), label.text, 255, font=font, stroke_width=stroke)
        masks.append(np.asarray(image, np.float32) / np.float32(255.0))
    rows, columns = picture.shape[1:]
    ya, yb, xa, xb = max(y0, 0), min(y0 + h, rows), max(x0, 0), min(x0 + w, columns)
    if ya >= yb or xa >= xb:
        return
    part = (slice(ya - y0, yb - y0), slice(xa - x0, xb - x0))
    target = picture[:, ya:yb, xa:xb]
    target *= 1.0 - masks[0][part]
    target += np.array(INK, np.float32)[:, None, None] * masks[1][part]


def stamp(image: NDArray[np.uint8], label: Label) -> None:
    """Draw a label into a picture in bytes (H, W, 3); what it does not cover stays as it is."""
    top = max(round(label.y), 0)
    rows = slice(top, top + 3 * math.ceil(max(8.0, label.height_px)))
    part = np.moveaxis(image[rows].astype(np.float32) / np.float32(255.0), -1, 0)
    draw_text(part, replace(label, y=round(label.y) - top))
    image[rows] = np.moveaxis(np.rint(part * np.float32(255.0)), 0, -1).astype(np.uint8)


def write_pdf(path: str | PathLike[str], canvas: Canvas, title: str = "") -> None:
    """Write a canvas as a page of PDF.

    Parameters
    ----------
    path : path
    canvas : Canvas
    title : str

    Notes
    -----
    By matplotlib: it keeps the pixels without loss and the labels as text that can be searched and
    copied, where Pillow would make one JPEG of all. Its own artists of pictures take 100 bytes a
    pixel on the way.
    """
    from matplotlib.artist import Artist
    from matplotlib.backends.backend_pdf import FigureCanvasPdf
    from matplotlib.figure import Figure

    class Whole(Artist):
        """A picture over all of a figure, pixel by pixel."""

        def draw(self, renderer: Any) -> None:
            _, height, width = canvas.picture.shape
            image = np.empty((height, width, 3), np.uint8)
            for rows in by_rows(height, canvas.picture):
                part = np.clip(canvas.picture[:, rows], 0.0, 1.0) * np.float32(255.0)
                # It counts rows from below.
                image[::-1][rows] = np.moveaxis(part, 0, -1)
            renderer.draw_image(renderer.new_gc(), 0, 0, image)

    _, height, width = canvas.picture.shape
    figure = Figure(figsize=(width / PDF_DPI, height / PDF_DPI), dpi=PDF_DPI, facecolor="black")
    FigureCanvasPdf(figure)
    figure.add_artist(Whole())
    for label in canvas.labels:
        figure.text(
            label.x / width,
            1.0 - label.y / height,
            label.text,
            color=INK,
            fontsize=label.height_px * 72.0 / PDF_DPI,
            ha="center" if label.centred else "left",
            va="top",
        )
    # Without a date: the same sheet is the same file.
    figure.savefig(path, format="pdf", dpi=PDF_DPI, metadata={"Title": title, "CreationDate": None})
