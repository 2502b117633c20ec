"""A strip of the contacts: the frames nearest to them, equally exposed, with their beads."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from astropy.time import Time
from numpy.typing import NDArray

from limbward.render.space import SRGB
from limbward.sequences.beads import Bead, find_beads
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.cut import Cut, View
from limbward.sequences.shots import Shots

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

FIELD = 1.5  # lunar radii from the centre to the sides of a frame
SOFT = 25.0  # arcsinh: a 25th of white is drawn at a fifth
LONGEST = 20.0  # exposures this many times the shortest near the contact are left out


def near_contact(shots: Shots, contact_s: float, span_s: float, count: int) -> NDArray[np.int64]:
    """Return the frames nearest to a contact whose exposures are much alike, in order of time."""
    since = np.abs(shots.middle_s - contact_s)
    near = np.flatnonzero((since < span_s) & np.isfinite(shots.moon).all(axis=1))
    if not near.size:
        return near
    near = near[shots.light[near] < LONGEST * shots.light[near].min()]
    return np.sort(near[np.argsort(since[near], kind="stable")][:count])


@dataclass(frozen=True)
class Strip:
    """The frames of a strip: a row around second contact and one around third.

    Attributes
    ----------
    shots : Shots
        Those shown, first all of C2, then all of C3.
    counts : tuple of int
        How many of either; one of them may be 0.
    since_s : ndarray, shape (N,)
        Seconds from the contact that a frame belongs to.
    cell_px : int
        Side of each frame's square.
    """

    shots: Shots
    counts: tuple[int, int]
    since_s: Floats
    cell_px: int

    @staticmethod
    def around(
        shots: Shots, contacts_s: tuple[float, float], span_s: float, count: int, cell_px: int
    ) -> Strip:
        """Return the strip of the frames nearest to two contacts, at most ``count`` of each.

        Parameters
        ----------
        shots : Shots
        contacts_s : tuple of float
            Second and third contact, seconds from the frames' epoch.
        span_s : float
            How far from a contact frames are looked for.
        count, cell_px : int
        """
        rows = [near_contact(shots, at, span_s, count) for at in contacts_s]
        picked = shots.take(np.concatenate(rows))
        counts = (rows[0].size, rows[1].size)
        return Strip(picked, counts, picked.middle_s - np.repeat(contacts_s, counts), cell_px)

    @property
    def names(self) -> list[str]:
        """The contact of each frame."""
        return ["C2"] * self.counts[0] + ["C3"] * self.counts[1]

    @property
    def radius_px(self) -> float:
        """The Moon's radius in pixels of the camera."""
        return float(np.nanmedian(self.shots.moon[:, 2]))

    @property
    def scale_arcsec(self) -> float:
        """Arcsec a pixel of the strip."""
        return FIELD * self.radius_px * self.shots.scale_arcsec() / (self.cell_px / 2.0)

    @property
    def sigma_s(self) -> float:
        """The usual standard error of the frames' times."""
        return float(np.nanmedian(self.shots.sigma_s))

    def measuring_views(self) -> list[View]:
        """Return views for beads: at the camera's own scale, whatever the strip's."""
        side, native = 2 * math.ceil(1.15 * self.radius_px) + 1, self.shots.scale_arcsec()
        return [View(side, native, o.up_position_angle) for o in self.shots.orientation]

    def measured(
        self, views: Sequence[View], made: Iterable[tuple[int, Cut | str]]
    ) -> list[list[Bead] | None]:
        """Return each frame's beads; None where it cannot be read or is exposed too long to tell.

        Parameters
        ----------
        views : sequence of View
            From `measuring_views`.
        made : iterable of tuple
            Number of the frame, and the Moon's disc cut out or why there is none.
        """
        return [None if isinstance(c, str) else _beads(c, views[i], self.shots, i) for i, c in made]

    def drawn(
        self,
        views: Sequence[View],
        made: Iterable[tuple[int, Cut | str]],
        beads: Sequence[list[Bead] | None],
        words: str,
    ) -> tuple[Canvas, list[dict[str, Any]], list[str]]:
        """Return the strip, what is known of each frame on it, and what could not be shown.

        Parameters
        ----------
        views, made
            Of the cuts that are shown.
        beads : sequence
            From `measured`.
        words : str
            To stand at the bottom.
        """
        shots, cell = self.shots, self.cell_px
        canvas = Canvas.blank(
            max(self.counts) * cell, sum(1.25 * cell for n in self.counts if n) + 0.15 * cell
        )
        radius = self.radius_px * shots.scale_arcsec() / self.scale_arcsec
        white = math.sqrt(shots.light.max() * shots.light.min())
        centres, names = centres_of(self.counts, cell), self.names
        entries: list[dict[str, Any]] = []
        notes: list[str] = []
        for i, c in made:
            if isinstance(c, str):
                notes.append(f"{shots.file[i]} is not on the strip: {c}")
                continue
            x, y = canvas.lighten(toned(c, np.float32(white / shots.light[i])), *centres[i])
            _mark(canvas, beads[i] or [], views[i], x, y, radius)
            since = float(self.since_s[i])
            text = f"{shots.clock_text(i, 1)}   {names[i]} {_signed(since)} s"
            canvas.labels.append(Label(text, x, y + 0.53 * cell, max(10.0, 0.05 * cell)))
            entries.append(_entry(shots, i, names[i], since, beads[i]))
        foot = canvas.picture.shape[1] - 0.09 * cell
        canvas.labels.append(Label(words, 0.05 * cell, foot, max(10.0, 0.042 * cell), False))
        return canvas, entries, notes

    def numbers(self, entries: Sequence[dict[str, Any]]) -> dict[str, str]:
        """Return what the report says of the strip; ``entries`` are from `drawn`."""
        return {
            "frames": str(len(entries)),
            "beads found": str(sum(len(e["beads"] or []) for e in entries)),
            "exposed too long to tell beads": str(sum(e["beads"] is None for e in entries)),
            "standard error of the times": f"{self.sigma_s:.1f} s",
        }

    def details(
        self,
        entries: Sequence[dict[str, Any]],
        contacts: tuple[Time, Time],
        up: str,
        *,
        caution: str,
    ) -> dict[str, Any]:
        """Return what is known of the strip, for other programs.

        Parameters
        ----------
        entries : sequence of dict
            From `drawn`.
        contacts : tuple of Time
            Second and third.
        up : str
            What is up, as `Shots.up` takes it.
        caution : str
            What stands wherever a contact time is shown.
        """
        return {
            "up": up,
            "scale_arcsec": round(self.scale_arcsec, 5),
            "contacts": {n: _iso(t) for n, t in zip(("C2", "C3"), contacts, strict=True)},
            "caution": caution,
            "time_sigma_s": round(self.sigma_s, 3) if math.isfinite(self.sigma_s) else None,
            "frames": list(entries),
        }


def _iso(time: Time) -> str:
    return f"{Time(time, precision=1).utc.isot}Z"


def toned(made: Cut, gain: np.float32) -> Pixels:
    """Return a cut as it is shown: equally exposed, bright light drawn in."""
    value = made.picture * gain
    value[:, made.clipped] = np.maximum(value[:, made.clipped], 1.0)
    drawn = np.arcsinh(np.float32(SOFT) * np.clip(value, 0.0, 1.0)) / np.float32(np.arcsinh(SOFT))
    return SRGB.encode(drawn**2)


def _beads(made: Cut, view: View, shots: Shots, i: int) -> list[Bead] | None:
    picture = made.picture.copy()
    picture[:, made.clipped] = 1.0
    return find_beads(picture, view, float(shots.moon[i, 2]))


def _mark(canvas: Canvas, beads: list[Bead], view: View, x: float, y: float, radius: float) -> None:
    """Put a tick and the angle outside the limb at each bead."""
    height = max(10.0, 0.04 * view.side)
    for bead in beads:
        ux, uy = (float(d) for d in view.orientation.towards(bead.position_angle))
        for step in np.linspace(1.12, 1.2, 24) * radius:
            row, column = round(y + uy * step), round(x + ux * step)
            if 0 <= row < canvas.picture.shape[1] and 0 <= column < canvas.picture.shape[2]:
                canvas.picture[:, row, column] = 0.8
        tx, ty = x + ux * 1.32 * radius, y + uy * 1.27 * radius - 0.5 * height
        canvas.labels.append(Label(f"{bead.position_angle:.1f}°", tx, ty, height))


def centres_of(counts: Sequence[int], cell: int) -> list[tuple[float, float]]:
    """Return the centres (x, y) of rows of cells, each row in the middle; empty rows take no room.

    Parameters
    ----------
    counts : sequence of int
        Cells in each row.
    cell : int
        Side of a cell, pixels.
    """
    out, top = [], 0.0
    for n in counts:
        left = (max(counts) - n) / 2.0
        out += [((left + k + 0.5) * cell, top + 0.55 * cell) for k in range(n)]
        top += 1.25 * cell if n else 0.0
    return out


def _signed(seconds: float) -> str:
    return f"{'+' if seconds >= 0 else '−'}{abs(seconds):.1f}"


def _entry(
    shots: Shots, i: int, contact: str, since: float, beads: list[Bead] | None
) -> dict[str, Any]:
    return {
        "file": str(shots.file[i]),
        "utc": shots.utc(i),
        "utc_sigma_s": shots.utc_sigma_s(i),
        "contact": contact,
        "seconds_from_contact": round(since, 2),
        "moon_x": float(shots.moon[i, 0]),
        "moon_y": float(shots.moon[i, 1]),
        # Null: exposed too long to tell beads from prominences.
        "beads": beads
        and [
            {
                "position_angle": round(b.position_angle, 2),
                "width_deg": round(b.width_deg, 2),
                "light": round(b.light, 3),
            }
            for b in beads
        ],
    }
