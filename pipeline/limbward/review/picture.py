"""The picture of a workspace at screen size, as the page asks for it."""

from __future__ import annotations

import io
import time
from dataclasses import dataclass
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from limbward.compiled import in_threads
from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.geometry.grid import north_known
from limbward.radiance.depth import GREEN
from limbward.render.crop import window
from limbward.render.live import LivePicture, Step, White
from limbward.render.rotate import TurnedFrame, turned_frame, turned_up
from limbward.render.writers import to_8_bits
from limbward.review.screen import Screen, read_screen
from limbward.stages.look import box_of, look_of
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]

BINS = 64  # of the histogram
SAMPLES = 350
QUALITY = 92


@dataclass(frozen=True)
class Shown:
    """A view as JPEG, as the merge lies, and how the page turns and crops it."""

    jpeg: bytes
    about: dict[str, Any]


class Pictures:
    """Views of the merge of a workspace, which is read once and again when a run has changed it.

    Parameters
    ----------
    workspace : Workspace
    """

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self._stamp: tuple[int, int] | None = None
        self._screen: Screen | None = None
        self._sizes: dict[bool, LivePicture] = {}
        self._lock = Lock()

    def show(
        self, config: Config, view: str, *, draft: bool = False, uncropped: bool = False
    ) -> Shown:
        """Return a view of what a config makes of the merge.

        Parameters
        ----------
        config : Config
            Its sections enhance and compose count.
        view : str
            One of `VIEWS`.
        draft : bool
            Half the size, in a quarter of the time.
        uncropped : bool
            Without the crop.

        Raises
        ------
        LimbwardError
            If there is no corona that could be shown.
        """
        with self._lock:
            begun = time.perf_counter()
            live = self._live(draft)
            picture = self._made(live, config, view)
            data = np.empty((*picture.shape[1:], 3), np.uint8)
            in_threads(to_8_bits, len(data), picture, 0, data)
            about = {"view": view, "draft": draft} | _framed(live, config, data, uncropped)
            out = io.BytesIO()
            Image.fromarray(data).save(out, "JPEG", quality=QUALITY, subsampling=0)
            about["ms"] = round(1000.0 * (time.perf_counter() - begun), 1)
            return Shown(out.getvalue(), about)

    def value(self, height: float, position_angle: float) -> dict[str, float | None]:
        """Return the corona's brightness in green at a place, as the merge has it.

        Parameters
        ----------
        height : float
            From the Sun's centre, solar radii.
        position_angle : float
            Degrees from celestial north through east.
        """
        with self._lock:
            live = self._live(draft=False)
            angle = np.radians(position_angle)
            arcsec = height * live.sun.radius * live.grid.scale_arcsec
            dx, dy = live.grid.orientation.to_pixels(arcsec * np.sin(angle), arcsec * np.cos(angle))
            x, y = round(live.sun.x + float(dx)), round(live.sun.y + float(dy))
            if not (0 <= y < live.image.shape[1] and 0 <= x < live.image.shape[2]):
                return {"value": None, "sigma": None}
            sigma = None if live.sigma is None else float(live.sigma[GREEN, y, x])
            return {"value": float(live.image[GREEN, y, x]), "sigma": sigma}

    def warm(self, config: Config) -> None:
        """Make the first view's draft, if there is a merge: the browser takes as long to start."""
        if self.workspace.path(Workspace.corona).exists():
            self.show(config, "picture", draft=True)

    def _made(self, live: LivePicture, config: Config, view: str) -> Pixels:
        steps, in_colour = steps_of(config)
        options = config.compose
        white = White(
            options.white_balance, options.level_sky, options.white_mired, options.white_tint
        )
        if view == "structure":
            return live.structure(steps, in_colour=in_colour)
        if view == "linear":
            return live.linear(white)
        if options.limb_px is None and self._screen is not None:  # measured in the frames
            options = options.model_copy(update={"limb_px": self._screen.blur_px})
            config = config.model_copy(update={"compose": options})
        return live.picture(look_of(config, self.workspace), white, steps)

    def _live(self, draft: bool) -> LivePicture:
        path = self.workspace.path(Workspace.corona)
        if not path.exists():
            raise LimbwardError("There is no corona yet.")
        status = path.stat()
        stamp = (status.st_size, status.st_mtime_ns)
        if self._screen is None or stamp != self._stamp:
            self._sizes.clear()
            self._screen = read_screen(self.workspace)
            self._stamp = stamp
        if draft not in self._sizes:
            size = self._screen.halved() if draft else self._screen
            self._sizes[draft] = LivePicture(
                size.image, size.sigma, size.header, size.factor, size.surface
            )
        return self._sizes[draft]


def steps_of(config: Config) -> tuple[list[Step], bool]:
    """Return the filters that give the picture its detail, and whether they are in colour."""
    name = config.compose.detail or config.enhance[0].name
    recipe = next(r for r in config.enhance if r.name == name)
    return [(s.filter, s.params) for s in recipe.steps], recipe.colour == "restored"


def _framed(
    live: LivePicture, config: Config, data: NDArray[np.uint8], uncropped: bool
) -> dict[str, Any]:
    """Return how the picture is turned and cropped, where the Sun is in it, and its histogram.

    The page does the turning itself: here it would take as long as all the rest.
    """
    options = config.compose
    radius = live.sun.radius
    to_up, words = turned_up(live.header, options.up, options.rotation_deg)
    half = None if options.crop_radii is None or uncropped else options.crop_radii * radius
    frame = turned_frame(live.valid, live.grid.up_position_angle, to_up, half)
    sun_x, sun_y = frame.centre
    box, ratio = (None, None) if uncropped else (box_of(config), options.crop_ratio)
    rows, columns = window((frame.rows, frame.columns), box, ratio, radius, frame.centre)
    cos, sin = float(np.cos(frame.turn)), float(np.sin(frame.turn))
    # From the corners of the picture's pixels to those of the frame's: centres are half a pixel on.
    x, y = frame.x0 + 0.5, frame.y0 + 0.5
    shift = (
        0.5 - cos * x + sin * y - columns[0],
        0.5 - sin * x - cos * y - rows[0],
    )
    return {
        "width": columns[1] - columns[0],
        "height": rows[1] - rows[0],
        "sun_x": sun_x - columns[0],
        "sun_y": sun_y - rows[0],
        "sun_radius": radius,
        "up_deg": to_up % 360.0,
        "up_words": words,
        "north_known": north_known(live.header),
        "whole": {
            "left": sun_x / radius,
            "right": (frame.columns - 1 - sun_x) / radius,
            "top": sun_y / radius,
            "bottom": (frame.rows - 1 - sun_y) / radius,
        },
        "transform": [cos, sin, -sin, cos, *shift],
        **_histogram(data, frame, rows, columns),
    }


def _histogram(
    data: NDArray[np.uint8], frame: TurnedFrame, rows: tuple[int, int], columns: tuple[int, int]
) -> dict[str, Any]:
    """Return how often each brightness is there, a list a colour, and what is black or white.

    About `SAMPLES` of the longer side's pixels count.
    """
    step = max(1, max(rows[1] - rows[0], columns[1] - columns[0]) // SAMPLES)
    row = np.arange(rows[0], rows[1], step, dtype=np.float32)[:, None]
    column = np.arange(columns[0], columns[1], step, dtype=np.float32)[None, :]
    cos, sin = np.float32(np.cos(frame.turn)), np.float32(np.sin(frame.turn))
    y = np.rint(frame.y0 + cos * row - sin * column).astype(np.int32)
    x = np.rint(frame.x0 + sin * row + cos * column).astype(np.int32)
    np.clip(y, 0, data.shape[0] - 1, out=y)
    np.clip(x, 0, data.shape[1] - 1, out=x)
    seen = data[y, x]
    counts = [np.bincount(seen[..., c].ravel(), minlength=256) for c in range(3)]
    total = max(int(counts[0].sum()), 1)
    return {
        "histogram": [c.reshape(BINS, -1).sum(axis=1).tolist() for c in counts],
        "white": [round(float(c[255]) / total, 5) for c in counts],
        "black": [round(float(c[0]) / total, 5) for c in counts],
    }
