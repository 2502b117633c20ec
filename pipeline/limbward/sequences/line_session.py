"""A body's frames in one spectral line: where the Sun is in each, and their sum over all phases."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.io.fits import Header
from astropy.time import TimeDelta
from numpy.typing import NDArray

from limbward.geometry.disc import Disc
from limbward.geometry.grid import Grid, Observer, world_header
from limbward.sequences.cut import Cut, View
from limbward.sequences.line_disc import LineDisc, Stack, off_limb, shift_of
from limbward.sequences.prominences import TOP_ARCSEC
from limbward.sequences.shots import Shots

Floats = NDArray[np.float64]
Pixels = NDArray[np.float32]
# Takes shots, the Sun's places in them and a view of each; returns their numbers and their cuts, or
# why there is none.
Cutter = Callable[[Shots, Floats, list[View]], Iterator[tuple[int, Cut | str]]]

# The Moon's edge is where the Sun's place puts it, so that a frame is cut anew where it was found.
ROUNDS = 2
# Blurs of less than a pixel are not told apart: by edges and by a model of the whole disc, as
# crescents need it, the same half a pixel comes out as 0.9 and as 0.45.
LEAST_BLUR_PX = 1.0
BEYOND_ARCSEC = TOP_ARCSEC + 20.0  # of the limb, to the sides of the picture


@dataclass(frozen=True)
class Session:
    """Frames of one body, the Sun's place in each, and how they lie in the picture.

    Attributes
    ----------
    shots : Shots
    centre : ndarray, shape (N, 2)
        The Sun's, raw pixels.
    blur_px : ndarray, shape (N,)
        Of the limb, raw pixels; NaN where not measured.
    view : View
    """

    shots: Shots
    centre: Floats
    blur_px: Floats
    view: View

    def take(self, index: NDArray[np.int64], centre: Floats) -> Session:
        """Return some of the frames, with the Sun at other places."""
        return Session(self.shots.take(index), centre, self.blur_px[index], self.view)

    def cuts(self, cutter: Cutter) -> Iterator[tuple[int, Cut | str]]:
        """Return the frames' numbers and their cuts, or why there is none."""
        return cutter(self.shots, self.centre, [self.view] * len(self.shots))

    def moon(self, k: int) -> Disc:
        """Return the Moon in the picture, by the ephemeris and the frame's time."""
        t = np.array([self.shots.middle_s[k]])
        east, north = self.shots.track.offset_arcsec(t)[0]
        dx, dy = self.view.orientation.to_pixels(east, north)
        radius = float(self.shots.track.moon_radius_arcsec(t)[0]) / self.view.scale_arcsec
        return Disc(self.view.centre + float(dx), self.view.centre + float(dy), radius)

    def blur(self, k: int) -> float:
        """Return a frame's blur in the picture, pixels; the usual one where it is not known."""
        known = self.blur_px[np.isfinite(self.blur_px)]
        usual = float(np.median(known)) if known.size else 1.0
        mine = self.blur_px[k]
        return float(mine) if np.isfinite(mine) else usual

    def look(self, stack: Stack, k: int, cut: Cut | str) -> None:
        """Take note of a frame's limb darkening."""
        if not isinstance(cut, str):
            stack.look(cut, stack.clear(self.moon(k), self.blur(k)))

    def add(self, stack: Stack, k: int, cut: Cut | str, feather: float = 0.0) -> str:
        """Add a frame, with a weight by its sharpness: half as sharp is a sixteenth of the weight.

        The weight rises over ``feather`` radii beside the Moon. Returns why the frame could not be
        decoded; empty if it was.
        """
        if isinstance(cut, str):
            return cut
        blur, moon = self.blur(k), self.moon(k)
        relative = stack.relative(cut, float(self.shots.light[k]), stack.clear(moon, blur))
        if relative is not None:
            clear = stack.clear(moon, blur, feather * stack.radius)
            weight = max(blur, LEAST_BLUR_PX) ** -4.0
            stack.add(relative, clear, weight)
            stack.note_blur(relative, moon, weight)
        return ""

    def shift(self, stack: Stack, k: int, cut: Cut | str, template: Pixels) -> Floats | None:
        """Return by how much the Sun lies off where a frame was cut, raw pixels.

        None if the prominences in ``template`` do not tell.
        """
        if isinstance(cut, str):
            return None
        clear = stack.clear(self.moon(k), self.blur(k))
        relative = stack.relative(cut, float(self.shots.light[k]), clear)
        if relative is None:
            return None
        shift = shift_of(np.nan_to_num(relative), template, stack.away, clear)
        if shift is None:
            return None
        sky = self.view.orientation.to_sky(*shift)
        return np.array(self.shots.orientation[k].to_pixels(*sky), float)


def session_of(shots: Shots, excess: float, blur_px: Floats) -> Session:
    """Return frames of the partial phases, in a picture that holds the disc and its prominences.

    Parameters
    ----------
    shots : Shots
        In which the Sun was measured.
    excess : float
        By what part of its radius the line shows the Sun larger.
    blur_px : ndarray, shape (N,)
        Of the limb, NaN where not measured.
    """
    arcsec = (1.0 + excess) * float(np.max(shots.track.sun_radius_arcsec(shots.middle_s)))
    scale = shots.orientation[0].pixel_scale_arcsec
    side = 2 * int(np.ceil((arcsec + BEYOND_ARCSEC) / scale)) + 1
    view = View(side, scale, float(shots.solar_north[len(shots) // 2]))
    return Session(shots, shots.sun[:, :2], blur_px, view)


def stack_of(session: Session, excess: float) -> Stack:
    """Return an empty stack for the Sun as large as it is at greatest eclipse."""
    arcsec = float(session.shots.track.sun_radius_arcsec(np.zeros(1))[0])
    return Stack(session.view, (1.0 + excess) * arcsec / session.view.scale_arcsec)


def excess_by_discs(shots: Shots) -> float:
    """Return by what part of its radius the discs that were measured are larger than the Sun."""
    expected = shots.track.sun_radius_arcsec(shots.middle_s)
    scale = np.array([o.pixel_scale_arcsec for o in shots.orientation])
    return float(np.median(shots.straight(shots.sun)[:, 2] * scale / expected - 1.0))


def add_totality(
    stack: Stack,
    before: Session,
    dark: Shots,
    blur_px: Floats,
    cutter: Cutter,
    advance: Callable[[], None],
) -> tuple[dict[int, Floats], list[str]]:
    """Register frames of totality on the prominences of the others, and add them.

    Parameters
    ----------
    stack : Stack
        Of the others.
    before : Session
        The others.
    dark : Shots
        Of the same body; where the Sun is in them need not be known.
    blur_px : ndarray, shape (N,)
        Of their limbs.
    cutter : callable
    advance : callable
        Called for each frame that was cut, at most ``(ROUNDS + 1) * N`` times.

    Returns
    -------
    dict of int to ndarray, list of str
        The Sun's centre (2,) in those that were registered, raw pixels, by their numbers; and what
        is to be said.
    """
    t, at = before.shots.middle_s, before.centre
    centre = np.column_stack([np.interp(dark.middle_s, t, at[:, i]) for i in (0, 1)])
    session = Session(dark, centre, blur_px, before.view)
    template = off_limb(stack.disc().picture, stack.away, np.ones_like(stack.away))
    moved = {k: centre[k] for k in range(len(dark))}
    notes: list[str] = []
    for turn in range(ROUNDS + 1):
        rows = np.array(sorted(moved), np.int64)
        if not rows.size:
            break
        now = session.take(rows, np.stack([moved[k] for k in rows]))
        for i, cut in now.cuts(cutter):
            advance()
            if turn == ROUNDS:
                notes += filter(None, [now.add(stack, i, cut)])
                continue
            shift = now.shift(stack, i, cut, template)
            if shift is None:
                del moved[int(rows[i])]
            else:
                moved[int(rows[i])] = now.centre[i] + shift
    left = len(dark) - len(moved)
    if left:
        notes.append(
            f"{left} of {len(dark)} frames of totality show too little of the prominences to be "
            "registered on them, and are left out."
        )
    return moved, notes


def line_header(session: Session, disc: LineDisc, observer: Observer) -> Header:
    """Return the header of the picture: where it lies on the Sun, and when it was taken."""
    view, shots = session.view, session.shots
    grid = Grid(view.side, view.side, view.scale_arcsec, view.up_position_angle)
    times = [
        shots.epoch + TimeDelta(float(s), format="sec")
        for s in (shots.middle_s.min(), shots.middle_s.mean(), shots.middle_s.max())
    ]
    header: Header = world_header(grid, observer, *times)
    for key in ("WCSAXES", "CTYPE3", "CRPIX3", "CRVAL3", "CDELT3"):
        header.remove(key)
    header["BUNIT"] = ("", "parts of the brightness of the disc's centre")
    header["RLINE"] = (disc.radius, "[pix] radius of the disc in the line")
    if np.isfinite(disc.blur_px):
        header["BLUR"] = (disc.blur_px, "[pix] standard deviation, by the Moon's limb")
    return header


def placed_entries(shots: Shots, placed: dict[int, Floats]) -> list[dict[str, Any]]:
    """Return where the Sun was put in frames of totality, for other programs."""
    return [
        {"file": str(shots.file[k]), "sun_x": round(float(x), 3), "sun_y": round(float(y), 3)}
        for k, (x, y) in sorted(placed.items())
    ]
