"""A sheet of the partial phases: which crescents, how bright, where they stand and how well."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from limbward.limb.measure import measure
from limbward.radiance.scratch import Room, by_rows
from limbward.render.space import SRGB
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.cut import Cut, View
from limbward.sequences.deflicker import RINGS, common_profile, disc_profile, level
from limbward.sequences.frame_edge import cut_off, fading
from limbward.sequences.layout import Layout, evenly, places
from limbward.sequences.shots import Shots
from limbward.sequences.totality import Totality
from limbward.sky.contacts import overlap_fraction

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

DISC = 0.33  # of a cell: the Sun's radius
MIDDLE = 0.75  # linear: how bright the disc's middle is drawn
CORONA_REACH = 1.35  # of a cell: how far the corona is shown on a line or an arc
FADE = (1.12, 1.48)  # solar radii: the glare around a crescent fades here, before its cell ends
MEASURED_PX = 1024  # side of what a Sun is measured in again
TIME_HEIGHT, FOOT_HEIGHT = 0.075, 0.011  # of a cell, and of the sheet's width
# Linear sRGB. A filter of coated glass shows the Sun yellow to orange, one of polymer foil white.
TINTS = {"white": (1.0, 1.0, 1.0), "yellow": (1.0, 0.72, 0.22), "orange": (1.0, 0.42, 0.06)}
LUMINANCE = (0.2126, 0.7152, 0.0722)  # of linear sRGB (IEC 61966-2-1)

Tint = Literal["white", "yellow", "orange"]


def obscuration(shots: Shots) -> Floats:
    """Return the covered part of the Sun's area in each frame, by the ephemeris."""
    t = shots.middle_s
    return overlap_fraction(
        np.hypot(*shots.track.offset_arcsec(t).T),
        shots.track.sun_radius_arcsec(t),
        shots.track.moon_radius_arcsec(t),
    )


def choose(
    shots: Shots, steps: Literal["time", "obscuration"], count: int, halves: bool
) -> tuple[NDArray[np.int64], int]:
    """Return the frames at even steps, in order of time, and how many are before the middle.

    Parameters
    ----------
    shots : Shots
    steps : {'time', 'obscuration'}
        What changes by even steps.
    count : int
    halves : bool
        Whether totality is to stand between the two halves, each of which then has its own steps.
        By obscuration they have that anyway, since it rises and falls.
    """
    if steps == "time" and not halves:
        chosen = evenly(shots.middle_s, count)
        return chosen, chosen.size
    sides = [np.flatnonzero(shots.middle_s < 0), np.flatnonzero(shots.middle_s >= 0)]
    values = shots.middle_s if steps == "time" else obscuration(shots)
    chosen = _by_half(values, sides, count)
    return chosen, int(np.sum(shots.middle_s[chosen] < 0)) if halves else chosen.size


def _by_half(steps: Floats, halves: list[NDArray[np.int64]], count: int) -> NDArray[np.int64]:
    """Return indices at even steps on both sides of greatest eclipse, in order of time."""
    if not all(h.size for h in halves):
        whole = np.concatenate(halves)
        return np.sort(whole[evenly(steps[whole], count)])
    parts = [
        h[evenly(steps[h], n)] for h, n in zip(halves, ((count + 1) // 2, count // 2), strict=True)
    ]
    return np.sort(np.concatenate(parts))


def scale_for(shots: Shots, cell_px: int) -> float:
    """Return the scale, arcsec per pixel, at which the Sun fills its part of a cell."""
    return (
        float(np.median(shots.straight(shots.sun)[:, 2]))
        * shots.scale_arcsec()
        / (DISC * float(cell_px))
    )


def with_deepest(
    shots: Shots, steps: Literal["time", "obscuration"], count: int
) -> NDArray[np.int64]:
    """Return the frames at even steps, in order of time, and among them the deepest crescent.

    That is the most even ring, if there are rings; of those no other is taken.
    """
    t = shots.middle_s
    free = shots.track.sun_radius_arcsec(t) - shots.track.moon_radius_arcsec(t)
    free -= np.hypot(*shots.track.offset_arcsec(t).T)
    deepest = int(np.argmax(free))
    rest = np.flatnonzero((free <= 0) & (np.arange(t.size) != deepest))
    if not rest.size:
        return np.array([deepest])
    chosen, _ = choose(shots.take(rest), steps, count, True)
    return np.sort(np.append(rest[chosen], deepest))


def tinted(picture: Pixels, tint: Tint | None) -> Pixels:
    """Return a linear picture (3, H, W) in a tint for its brightness, or as it is."""
    if tint is None:
        return picture
    light = np.tensordot(np.array(LUMINANCE, np.float32), picture, 1)
    colour = np.array(TINTS[tint], np.float32)[:, None, None]
    return np.asarray(light * colour, np.float32)


def _round(rows: slice, side: int, sun: tuple[float, float, float]) -> Pixels:
    """Return what rows of a cut are multiplied by, or its glare would show a cell's square."""
    y, x = np.arange(side, dtype=np.float32)[rows, None], np.arange(side, dtype=np.float32)
    rho = np.hypot(x - np.float32(sun[0]), y - np.float32(sun[1])) / np.float32(sun[2])
    part = np.clip((rho - FADE[0]) / (FADE[1] - FADE[0]), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * part), np.float32)


def crescents(
    shots: Shots,
    views: Sequence[View],
    made: Iterable[tuple[int, Cut | str]],
    tint: Tint | None = None,
    room: Room = np.empty,
) -> tuple[Iterator[Pixels], list[str]]:
    """Return the crescents, encoded and equally bright, and what could not be shown.

    Parameters
    ----------
    shots : Shots
    views : sequence of View
        One a frame.
    made : iterable of tuple
        Number of the frame, and its disc cut out or the sentence that says why there is none. All
        are there at a time, since they are compared.
    tint : {'white', 'yellow', 'orange'}, optional
        In place of the colours of the photographs.
    room : callable
        Makes arrays of the size of a crescent's picture.

    Returns
    -------
    crescents : iterator of ndarray of float32, shape (3, S, S)
        Made one at a time.
    notes : list of str
    """
    found: list[Cut | None] = [None] * len(shots)
    notes = []
    cut = cut_off(shots)
    profiles = np.full((len(shots), RINGS), np.nan)
    for i, disc in made:
        if isinstance(disc, str):
            notes.append(f"{shots.file[i]} is not on the sheet: {disc}")
            continue
        found[i] = disc
        if cut[i]:
            notes.append(f"The edge of the frame cuts the Sun's disc in {shots.file[i]}.")
        profiles[i] = disc_profile(disc.picture, disc.clipped, *shots.discs_in(i, views[i]))
    common = common_profile(profiles)

    def cells() -> Iterator[Pixels]:
        for i, (c, profile, view) in enumerate(zip(found, profiles, views, strict=True)):
            out = room((3, view.side, view.side), np.float32)
            found[i] = None
            light = level(profile, common)
            gain = np.float32(MIDDLE / light if light > 0 else 1.0)
            sun, _ = shots.discs_in(i, view)
            fade = fading(shots, i, view)
            for rows in by_rows(view.side, out, None if c is None else c.picture):
                if c is None:
                    out[:, rows] = 0.0
                    continue
                shown = c.picture[:, rows] * gain * _round(rows, view.side, sun)
                if fade is not None:
                    shown *= fade(rows)
                out[:, rows] = SRGB.encode(tinted(shown, tint))
            del c
            yield out

    return cells(), notes


def stand(
    layout: Layout, cell: float, count: int, before: int, middle: bool
) -> tuple[list[tuple[float, float]], tuple[float, float]]:
    """Return the centres of the crescents, then of totality if it is there, and the size.

    Parameters
    ----------
    layout : {'line', 'arc', 'grid'}
    cell : float
        Side of a cell, pixels.
    count, before : int
        Crescents, and how many of them stand before totality.
    middle : bool
        Whether totality stands among them. On a line or an arc it takes the room of three, since
        the corona reaches beyond the Sun.
    """
    if not middle:
        centres, size = places(layout, count, cell)
        shift = np.zeros(2)
    elif layout == "grid":
        centres, size = places("grid", count + 1, cell)
        centres = np.vstack([np.delete(centres, before, axis=0), centres[before]])
        shift = np.zeros(2)
    else:
        centres, _ = places(layout, count + 3, cell)
        corona = centres[before + 1]
        centres = np.vstack([np.delete(centres, range(before, before + 3), axis=0), corona])
        low = np.minimum(centres[:-1].min(axis=0) - 0.5 * cell, corona - CORONA_REACH * cell)
        high = np.maximum(centres[:-1].max(axis=0) + 0.5 * cell, corona + CORONA_REACH * cell)
        shift, size = -low, tuple(high - low)
    return [(float(x), float(y)) for x, y in centres + shift], size


@dataclass(frozen=True)
class Sheet:
    """The crescents of a sheet and how they are to stand.

    Attributes
    ----------
    shots : Shots
        The crescents shown, in order of time.
    views : sequence of View
        One a crescent, all of the same side and scale.
    before : int
        Crescents that stand before totality.
    layout : {'line', 'arc', 'grid'}
    up : str
        What is up, as `Shots.up` takes it.
    times : bool
        Whether UTC stands below each.
    """

    shots: Shots
    views: Sequence[View]
    before: int
    layout: Layout
    up: str
    times: bool

    def drawn(
        self, cells: Iterable[Pixels], total: Totality | None, words: str, room: Room = np.zeros
    ) -> tuple[Canvas, list[tuple[float, float]], list[float]]:
        """Return the sheet.

        Parameters
        ----------
        cells : iterable of ndarray
            From `crescents`; taken one at a time.
        total : Totality or None
        words : str
            To stand at the bottom.
        room : callable
            Makes arrays of zeros of the size of the sheet.

        Returns
        -------
        canvas : Canvas
        on_sheet : list of tuple
            Where on it each Sun's centre is.
        off_px : list of float
            From `off_centre`, of those that could be measured.
        """
        cell, scale = float(self.views[0].side), self.views[0].scale_arcsec
        centres, (width, height) = stand(
            self.layout, cell, len(self.shots), self.before, total is not None
        )
        foot_height = max(10.0, TIME_HEIGHT * cell, FOOT_HEIGHT * width)
        canvas = Canvas.blank(width, height + 0.1 * cell + 1.5 * foot_height, room)
        on_sheet, off = [], []
        for i, picture in enumerate(cells):
            x, y = canvas.lighten(picture, *centres[i])
            on_sheet.append((x, y))
            off.append(off_centre(picture, self.views[i], self.shots, i))
            del picture
            if self.times:
                text, size = self.shots.clock_text(i), max(10.0, TIME_HEIGHT * cell)
                canvas.labels.append(Label(text, x, y + 0.40 * cell, size))
        if total is not None:
            up = total.up(self.up, self.shots.orientation[0].up_position_angle)
            grid = self.layout == "grid"
            side = 2 * round((0.5 if grid else CORONA_REACH) * cell)
            x, y = canvas.lighten(total.shown(side, scale, up), *centres[-1])
            if self.times:
                below = y + (0.40 if grid else 0.62) * cell
                canvas.labels.append(Label(total.clock, x, below, max(10.0, TIME_HEIGHT * cell)))
        foot = canvas.picture.shape[1] - 1.4 * foot_height
        canvas.foot(words, 0.06 * cell, foot, foot_height)
        return canvas, on_sheet, [o for o in off if o is not None]

    def numbers(self, off_px: Sequence[float]) -> dict[str, str]:
        """Return what the report says of the sheet; ``off_px`` is from `drawn`."""
        shots = self.shots
        measured = f"{len(off_px)}, off by at most {max(off_px):.2f} px" if off_px else "none"
        return {
            "from": f"{shots.clock_text(0)} UTC",
            "to": f"{shots.clock_text(len(shots) - 1)} UTC",
            "scale": f"{self.views[0].scale_arcsec:.2f} arcsec per pixel",
            "discs measured again on the sheet": measured,
        }

    def details(
        self, on_sheet: Sequence[tuple[float, float]], off_px: Sequence[float]
    ) -> dict[str, Any]:
        """Return what is known of the sheet, for other programs.

        Parameters
        ----------
        on_sheet : sequence of tuple
            From `drawn`.
        off_px : sequence of float
            From `drawn`.
        """
        return {
            "layout": self.layout,
            "up": self.up,
            "scale_arcsec": round(self.views[0].scale_arcsec, 5),
            "registered_px": round(max(off_px), 3) if off_px else None,
            "frames": self.rows(on_sheet),
        }

    def rows(self, on_sheet: Sequence[tuple[float, float]]) -> list[dict[str, Any]]:
        """Return what is known of each crescent, for other programs."""
        covered = obscuration(self.shots)
        return [
            {
                "file": str(self.shots.file[i]),
                "utc": self.shots.utc(i),
                "utc_sigma_s": self.shots.utc_sigma_s(i),
                "obscuration": round(float(covered[i]), 5),
                "x": x,
                "y": y,
                "sun_radius_px": round(self.shots.sun_radius_px(i, view.scale_arcsec), 3),
                "up_position_angle": round(view.up_position_angle, 4),
                "cusp_position_angles": cusps(self.shots, i),
            }
            for i, ((x, y), view) in enumerate(zip(on_sheet, self.views, strict=True))
        ]


def cusps(shots: Shots, i: int) -> list[float] | None:
    """Return the position angles of a crescent's two horns about the Sun's centre, degrees.

    By the ephemeris at the frame's corrected time, which is nearer to the truth than the discs
    measured in a single thin crescent. None where the limbs do not cross.
    """
    t = shots.middle_s[i : i + 1]
    east, north = shots.track.offset_arcsec(t)[0]
    rs = float(shots.track.sun_radius_arcsec(t)[0])
    rm = float(shots.track.moon_radius_arcsec(t)[0])
    d = math.hypot(east, north)
    if not (abs(rs - rm) < d < rs + rm):
        return None
    towards = math.degrees(math.atan2(east, north))
    half = math.degrees(math.acos((d * d + rs * rs - rm * rm) / (2.0 * d * rs)))
    return [round((towards + s * half) % 360.0, 3) for s in (-1.0, 1.0)]


def off_centre(cell: Pixels, view: View, shots: Shots, i: int) -> float | None:
    """Return how far a Sun, measured again on the sheet, lies from its cell's middle, pixels.

    The limb's points are fitted with a circle of the Sun's known radius: on a thin crescent's one
    side, radius and centre could stand in for each other. None where no limb is found.
    """
    step = -(-view.side // MEASURED_PX)  # of large cells, means of so many pixels
    side = view.side // step
    green = np.empty((side, side), np.float32)
    for rows in by_rows(side, cell):
        part = cell[1, rows.start * step : rows.stop * step, : side * step]
        green[rows] = part.reshape(-1, step, side, step).mean(axis=(1, 3))
    t = shots.middle_s[i : i + 1]
    ratio = shots.track.moon_radius_arcsec(t) / shots.track.sun_radius_arcsec(t)
    found = measure(
        SRGB.decode(green) * np.float32(10000.0), green >= 1.0, radius_ratio=float(ratio[0])
    )
    if found.sun is None:
        return None
    radius = shots.sun_radius_px(i, view.scale_arcsec) / step
    x, y = centre_of(found.sun_limb, (found.sun.x, found.sun.y), radius)
    centre = (view.centre + 0.5) / step - 0.5
    return step * math.hypot(x - centre, y - centre)


def centre_of(limb: Floats, start: tuple[float, float], radius: float) -> tuple[float, float]:
    """Return the centre of a circle of known radius through edge points (N, 3)."""

    def miss(c: Floats) -> Floats:
        distance = np.hypot(limb[:, 0] - c[0], limb[:, 1] - c[1]) - radius
        return np.asarray(distance / np.maximum(limb[:, 2], 0.02))

    x, y = least_squares(miss, start, loss="soft_l1", f_scale=2.0).x
    return float(x), float(y)
