"""How a film shows a frame: evenly exposed, the Sun's disc and the corona each in its tones."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.radiance.scratch import Room, by_rows, let_go
from limbward.render.space import SRGB
from limbward.sequences.bloom import glow_of, shouldered
from limbward.sequences.cut import Cut, View
from limbward.sequences.deflicker import RINGS, disc_profile, level
from limbward.sequences.quiet import quieted
from limbward.sequences.shots import Shots
from limbward.sequences.steady import corona_light
from limbward.sequences.usual import Usual

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]
Shown = Iterator[tuple[slice, Pixels]]  # rows of a picture, encoded (3, n, S), one after the other

MIDDLE = 0.72  # linear: how bright the disc's middle is shown behind the filter
SOFT = 60.0  # arcsinh: the corona's range in a film
GLARE = 2.0  # times the corona's light, shown of what lies around a diamond ring
MOST_GAIN = 3.0  # beyond, a frame is dark for a reason of its own, such as thick cloud
AT_ONCE = 128  # rows made at a time


@dataclass(frozen=True)
class Showing:
    """How a film's frames are shown.

    Attributes
    ----------
    shots : Shots
    views : sequence of View
        One a frame.
    usual : Usual
    deflicker : bool
        Whether frames are brought to the usual brightness.
    room : callable
        Makes arrays of the size of a picture's plane.
    """

    shots: Shots
    views: Sequence[View]
    usual: Usual
    deflicker: bool
    room: Room = field(default_factory=lambda: np.empty)

    def of(self, i: int, made: Cut) -> tuple[dict[str, Any], Shown]:
        """Return what is known of a frame, and its picture, made as its rows are asked for."""
        entry: dict[str, Any] = {
            "file": str(self.shots.file[i]),
            "utc": self.shots.utc(i),
            "filter": bool(self.shots.phase[i] == "partial"),
        }
        told, picture = self._disc(i, made) if entry["filter"] else self._corona(i, made)
        return entry | told, picture

    def _disc(self, i: int, made: Cut) -> tuple[dict[str, Any], Shown]:
        """Show the Sun behind a filter."""
        light = float(self.shots.light[i])
        discs = self.shots.discs_in(i, self.views[i])
        profile = disc_profile(made.picture, made.clipped, *discs) / light
        measured = level(profile, self.usual.profile)
        factor = self._factor(self.usual.disc, measured)
        usual = self.usual.disc if math.isfinite(self.usual.disc) else 1.0 / light

        def shade(value: Pixels) -> Pixels:
            return value / np.float32(light) * np.float32(factor * MIDDLE / usual)

        def seen(value: Pixels) -> Pixels:
            return np.clip(shade(value), 0.0, 1.0)

        shown = disc_profile(made.picture, made.clipped, *discs, seen)
        told = {
            "brightness": _number(measured),
            "factor": round(factor, 5),
            "middle": _number(self._middle(profile)),
            "middle_shown": _number(self._middle(shown)),
        }

        def picture() -> Shown:
            for rows in by_rows(self.views[i].side, made.picture, rows=AT_ONCE):
                part = np.array(made.picture[:, rows])
                for c in range(3):
                    part[c] = SRGB.encode(shade(part[c]))
                yield rows, part

        return told, picture()

    def _corona(self, i: int, made: Cut) -> tuple[dict[str, Any], Shown]:
        """Show what is seen without the filter."""
        shots, view, told = self.shots, self.views[i], dict[str, Any]()
        measured = corona_light(made, shots, i, view)
        if shots.phase[i] == "totality":
            factor = self._factor(self.usual.corona, measured)
            told["brightness"] = _number(measured)
        else:
            # At the contacts the photosphere lights up all around. It may not drown the picture:
            # seconds before, its glare is many times the corona's light.
            glare = measured / (GLARE * self.usual.corona)
            factor = 1.0 / glare if glare > 1.0 and self.deflicker else 1.0
        told["factor"] = round(factor, 5)
        # Exposures without the filter differ by little; white is where the longest one ends.
        white = float(shots.light[shots.phase != "partial"].max())
        gain = np.float32(factor * white / float(shots.light[i]))
        glow = glow_of(made, shots.scale_arcsec() / view.scale_arcsec, room=self.room)

        def light(rows: slice) -> Pixels:
            part = np.array(made.picture[:, rows])
            let_go(made.picture)
            if glow is not None:
                glow.put_into(part, rows)
            part *= gain
            return np.maximum(part, 0.0, out=part)

        def picture() -> Shown:
            for rows, part in quieted(light, view.side, _drawn, self.room):
                for c in range(3):
                    part[c] = _drawn(part[c])
                yield rows, part

        return told, picture()

    def _middle(self, profile: Floats) -> float:
        """Return the brightness of the disc's middle by the innermost ring in sight.

        Another measure than the level that a frame is divided by. NaN where the Moon covers the
        inner half.
        """
        seen = np.flatnonzero(np.isfinite(profile) & np.isfinite(self.usual.profile))
        if not seen.size or seen[0] >= RINGS // 2:
            return math.nan
        return float(profile[seen[0]] / np.exp(self.usual.profile[seen[0]]))

    def _factor(self, usual: float, measured: float) -> float:
        if not self.deflicker or not (measured > 0 and usual > 0):
            return 1.0
        return min(max(usual / measured, 1.0 / MOST_GAIN), MOST_GAIN)


def _drawn(value: Pixels) -> Pixels:
    """Return linear light without the filter as the film shows it."""
    drawn = np.arcsinh(np.float32(SOFT) * value) / np.float32(np.arcsinh(SOFT))
    return SRGB.encode(shouldered(drawn) ** np.float32(1.6))


def _number(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None
