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
from limbward.sequences.bead_marks import mark_expected, mark_observed
from limbward.sequences.beads import (
    Bead,
    Expected,
    expected_beads,
    expected_ring_beads,
    find_beads,
    find_ring_beads,
    off_deg,
    same_place,
)
from limbward.sequences.bloom import bloomed, shouldered
from limbward.sequences.canvas import Canvas, Label
from limbward.sequences.cut import Cut, View
from limbward.sequences.shots import Shots
from limbward.sky.best_limb import BestLimb
from limbward.sky.circumstances import iso_utc
from limbward.sky.ephemeris import Site
from limbward.sky.limb_profile import Bead as LimbBead

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

FIELD = 1.5  # lunar radii from the centre to the sides of a frame
SOFT = 25.0  # arcsinh: a 25th of white is drawn at a fifth
LONGEST = 20.0  # exposures this many times the shortest near the contact are left out
SAME_S = 0.3  # frames closer than this show one moment


def near_contact(shots: Shots, contact_s: float, span_s: float, count: int) -> NDArray[np.int64]:
    """Return the frames nearest to a contact whose exposures are much alike, in order of time."""
    since = np.abs(shots.middle_s - contact_s)
    near = np.flatnonzero((since < span_s) & np.isfinite(shots.moon).all(axis=1))
    if not near.size:
        return near
    near = near[shots.light[near] < LONGEST * shots.light[near].min()]
    # A bracket shows one moment several times; its shortest exposure has the least clipped.
    in_time = near[np.argsort(shots.middle_s[near], kind="stable")]
    moments = [[int(in_time[0])]]
    for i in in_time[1:]:
        if shots.middle_s[i] - shots.middle_s[moments[-1][0]] > SAME_S:
            moments.append([])
        moments[-1].append(int(i))
    best = np.array([min(m, key=lambda i: float(shots.light[i])) for m in moments], np.int64)
    return np.sort(best[np.argsort(since[best], kind="stable")][:count])


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
    ring : bool
        Whether a ring begins and ends at the contacts, behind a filter, instead of totality.
    """

    shots: Shots
    counts: tuple[int, int]
    since_s: Floats
    cell_px: int
    ring: bool = False

    @staticmethod
    def around(
        shots: Shots,
        contacts_s: tuple[float, float],
        span_s: float,
        count: int,
        cell_px: int,
        *,
        ring: bool = False,
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
        ring : bool
        """
        rows = [near_contact(shots, at, span_s, count) for at in contacts_s]
        picked = shots.take(np.concatenate(rows))
        counts = (rows[0].size, rows[1].size)
        since = picked.middle_s - np.repeat(contacts_s, counts)
        return Strip(picked, counts, since, cell_px, ring)

    @property
    def names(self) -> list[str]:
        """The contact of each frame."""
        return ["C2"] * self.counts[0] + ["C3"] * self.counts[1]

    @property
    def radius_px(self) -> float:
        """The Moon's radius in pixels of the camera."""
        return float(np.nanmedian(self.shots.straight(self.shots.moon)[:, 2]))

    @property
    def scale_arcsec(self) -> float:
        """Arcsec a pixel of the strip."""
        return FIELD * self.radius_px * self.shots.scale_arcsec() / (self.cell_px / 2.0)

    @property
    def sigma_s(self) -> float:
        """The usual standard error of the frames' times."""
        return float(np.nanmedian(self.shots.sigma_s))

    def expected(self, limb: BestLimb, site: Site, ephemeris: str = "de421") -> list[Expected]:
        """Return the beads that a limb makes in each frame.

        Parameters
        ----------
        limb : BestLimb
        site : Site
        ephemeris : str
        """
        sigma = np.nan_to_num(self.shots.sigma_s)
        steps = (0.0, -2.0, -1.0, 1.0, 2.0)
        gaps = [
            limb.sun_over(self.shots.epoch, self.shots.middle_s + k * sigma, site, ephemeris)
            for k in steps
        ]
        found = []
        for i in range(len(self.shots)):
            first, *others = (self._due(gap[i]) for gap in gaps)
            found.append(Expected(first, [bead for beads in others for bead in beads]))
        return found

    def _due(self, gap_arcsec: Floats) -> list[Bead]:
        if self.ring:
            return expected_ring_beads(gap_arcsec, self.radius_px, self.shots.scale_arcsec())
        return expected_beads(gap_arcsec, self.radius_px)

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
        find = find_ring_beads if self.ring else find_beads
        radius = self.shots.straight(self.shots.moon)[:, 2]
        return [
            None if isinstance(c, str) else find(_whitened(c), views[i], float(radius[i]))
            for i, c in made
        ]

    def drawn(
        self,
        views: Sequence[View],
        made: Iterable[tuple[int, Cut | str]],
        beads: Sequence[list[Bead] | None],
        expected: Sequence[Expected],
        words: str,
    ) -> tuple[Canvas, list[dict[str, Any]], list[str]]:
        """Return the strip, what is known of each frame on it, and what could not be shown.

        Parameters
        ----------
        views, made
            Of the cuts that are shown.
        beads : sequence
            From `measured`.
        expected : sequence of Expected
            From `expected`.
        words : str
            To stand at the bottom.
        """
        shots, cell = self.shots, self.cell_px
        canvas = Canvas.blank(
            max(self.counts) * cell, sum(1.25 * cell for n in self.counts if n) + 0.15 * cell
        )
        radius = self.radius_px * shots.scale_arcsec() / self.scale_arcsec
        pixel = shots.scale_arcsec() / self.scale_arcsec
        white = math.sqrt(shots.light.max() * shots.light.min())
        centres, names = centres_of(self.counts, cell), self.names
        entries: list[dict[str, Any]] = []
        notes: list[str] = []
        for i, c in made:
            if isinstance(c, str):
                notes.append(f"{shots.file[i]} is not on the strip: {c}")
                continue
            shown = toned(c, np.float32(white / shots.light[i]), pixel)
            x, y = canvas.lighten(shown, *centres[i])
            mark_observed(canvas, beads[i] or [], views[i], x, y, radius)
            mark_expected(canvas, expected[i].beads, views[i], x, y, radius)
            since = float(self.since_s[i])
            text = f"{shots.clock_text(i, 1)}   {names[i]} {_signed(since)} s"
            canvas.labels.append(Label(text, x, y + 0.53 * cell, max(10.0, 0.05 * cell)))
            entries.append(_entry(shots, i, names[i], since, beads[i], expected[i]))
        foot = canvas.picture.shape[1] - 0.09 * cell
        canvas.foot(words, 0.05 * cell, foot, max(10.0, 0.042 * cell))
        return canvas, entries, notes

    def numbers(self, entries: Sequence[dict[str, Any]]) -> dict[str, str]:
        """Return what the report says of the strip; ``entries`` are from `drawn`."""
        return {
            "frames": str(len(entries)),
            "beads found": str(sum(len(e["beads"] or []) for e in entries)),
            **_agreement(entries),
            "exposed too long to tell beads": str(sum(e["beads"] is None for e in entries)),
            "standard error of the times": f"{self.sigma_s:.1f} s",
        }

    def details(
        self,
        entries: Sequence[dict[str, Any]],
        up: str,
        *,
        limb: BestLimb,
        caution: str,
    ) -> dict[str, Any]:
        """Return what is known of the strip, for other programs.

        Parameters
        ----------
        entries : sequence of dict
            From `drawn`.
        up : str
            What is up, as `Shots.up` takes it.
        limb : BestLimb
            That makes the contacts and the beads that are expected.
        caution : str
            What stands wherever a contact time is shown.
        """
        return {
            "up": up,
            "scale_arcsec": round(self.scale_arcsec, 5),
            "contacts": {n: _iso(t) for n, t in zip(("C2", "C3"), limb.central, strict=True)},
            "contacts_by": limb.by,
            "caution": caution,
            "beads": [_seen(bead, limb, entries) for bead in limb.beads],
            "time_sigma_s": round(self.sigma_s, 3) if math.isfinite(self.sigma_s) else None,
            "frames": list(entries),
        }


def _iso(time: Time) -> str:
    return f"{Time(time, precision=1).utc.isot}Z"


def toned(made: Cut, gain: np.float32, pixel: float = 1.0) -> Pixels:
    """Return a cut as it is shown: equally exposed, bright light drawn in and glowing softly.

    Parameters
    ----------
    made : Cut
    gain : float
    pixel : float
        Size of a pixel of the camera in pixels of the cut.
    """
    value = np.maximum(bloomed(made, pixel, 1.0 / float(gain)) * gain, np.float32(0.0))
    drawn = np.arcsinh(np.float32(SOFT) * value) / np.float32(np.arcsinh(SOFT))
    return SRGB.encode(shouldered(drawn) ** 2)


def _whitened(made: Cut) -> Pixels:
    """Return a cut in which what is clipped is white."""
    picture = made.picture.copy()
    picture[:, made.clipped] = 1.0
    return picture


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
    tenths = round(10 * seconds)
    sign = "+" if tenths > 0 else "−" if tenths < 0 else ""
    return f"{sign}{abs(tenths) / 10:.1f}"


def _entry(
    shots: Shots,
    i: int,
    contact: str,
    since: float,
    beads: list[Bead] | None,
    expected: Expected,
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
        "beads": beads and [_bead(b) | _beside(b, expected) for b in beads],
        "expected_beads": [_bead(b) for b in expected.beads],
    }


def _bead(bead: Bead) -> dict[str, float]:
    return {
        "position_angle": round(bead.position_angle, 2),
        "width_deg": round(bead.width_deg, 2),
        "light": round(bead.light, 3),
    }


def _beside(bead: Bead, expected: Expected) -> dict[str, float | None]:
    """Return where an observed bead was expected; null if none was expected near it."""
    near = expected.near(bead.position_angle)
    return {"expected_position_angle": None if near is None else round(near, 2)}


def _agreement(entries: Sequence[dict[str, Any]]) -> dict[str, str]:
    """Return how observed beads lie beside expected ones, for the report."""
    beads = [b for e in entries for b in e["beads"] or []]
    pairs = [(b["position_angle"], b["expected_position_angle"]) for b in beads]
    off = [off_deg(seen, due) for seen, due in pairs if due is not None]
    if not off:
        return {}
    rms = math.sqrt(sum(o * o for o in off) / len(off))
    name = "of them where they were expected, within a degree and twice the error of the time"
    return {name: f"{len(off)}, {rms:.2f}° rms off"}


def _seen(bead: LimbBead, limb: BestLimb, entries: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return a bead that the limb makes at a contact, with the frames that show it."""
    start, end = (None if time is None else iso_utc(time) for time in bead.alone)
    place = {}
    if limb.relief is not None:
        longitude, latitude = limb.relief.place(bead.position_angle)
        place = {
            "selenographic_longitude": round(longitude, 2),
            "selenographic_latitude": round(latitude, 2),
        }
    seen = []
    for e in (e for e in entries if e["contact"] == bead.contact):
        near = same_place((b["position_angle"] for b in e["beads"] or []), bead.position_angle)
        if near is not None:
            told = {n: e[n] for n in ("file", "utc", "utc_sigma_s", "seconds_from_contact")}
            off = round(off_deg(near, bead.position_angle), 2)
            seen.append(told | {"position_angle": near, "off_deg": off})
    return {
        "contact": bead.contact,
        "utc": iso_utc(bead.time),
        "position_angle": round(bead.position_angle, 1),
        "start": start,
        "end": end,
        **place,
        "seen": seen,
    }
