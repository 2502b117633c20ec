"""`limbward film`: the whole card as a time-lapse, registered on the Sun and evenly exposed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from limbward.config import Config
from limbward.errors import LimbwardError
from limbward.products.sheet import discs_in_view
from limbward.products.shelf import Product, artefact, shelve
from limbward.products.shots import UP_WORDS, Shots, cuts, read_shots
from limbward.render.space import SRGB
from limbward.render.writers import Caption, write_png
from limbward.sequences.canvas import Canvas, Label, draw_text
from limbward.sequences.cut import Cut, View
from limbward.sequences.deflicker import RINGS, common_profile, disc_profile, level
from limbward.sequences.film import dissolve, to_bytes, write_films
from limbward.sequences.layout import evenly, places
from limbward.stages import setting
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace

Pixels = NDArray[np.float32]
Floats = NDArray[np.float64]

PHASES = ("partial", "contact", "totality")
MIDDLE = 0.72  # linear: how bright the disc's middle is shown behind the filter
SOFT = 60.0  # arcsinh: the corona's range in a film
LEARNT_FROM = 16  # frames from which the disc's darkening and the corona's usual light are taken
CORONA_RING = (1.3, 1.9)  # solar radii: the Moon never reaches there
SAME_EXPOSURE = 1.3  # ratio
MOST_GAIN = 3.0  # beyond, a frame is dark for a reason of its own, such as thick cloud
STILLS = 8  # of the film, for the report


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write the film in the formats asked for.

    Raises
    ------
    LimbwardError
        If there are fewer than two frames to make it of.
    """
    options = config.film
    total = setting.covered(config, setting.eclipse(config)) is not None
    # Where the eclipse is not total, what looks like totality is a crescent too thin to measure.
    every = read_shots(config, workspace, PHASES if total else ("partial",), options.camera, "film")
    shots = every.take(choose(every, options.totality_exposure_s)) if len(every) else every
    if len(shots) < 2:
        raise LimbwardError(
            f"A film needs at least two frames in which the Sun's place is known; there are "
            f"{len(shots)}."
        )
    side = 2 * (options.size_px // 2)
    scale = float(np.median(shots.sun[:, 2])) * shots.scale_arcsec()
    scale *= options.field_radii / (side / 2.0)
    views = [View(side, scale, float(u)) for u in shots.up(options.up)]
    film = Film(config, shots, views, *_learnt(config, shots, views))
    names: dict[str, str] = {kind: f"sequences/film.{kind}" for kind in options.formats}
    caption = _caption(config, shots)
    with ExitStack() as stack, reporter.progress(len(shots), "frames of the film") as advance:
        paths = {k: stack.enter_context(workspace.writing(n)) for k, n in names.items()}
        count = write_films(paths, film.pictures(advance), options.rate, title=caption.description)
        if not count:
            raise LimbwardError("No frame of the film could be decoded: " + " ".join(film.notes))
    stills = "sequences/film-stills.png"
    with workspace.writing(stills) as part:
        write_png(part, film.contact_sheet(), caption)
    flicker = film.flicker()
    details = {
        "files": list(names.values()),
        "width": side,
        "height": side,
        "rate": options.rate,
        "pictures": count,
        "duration_s": round(count / options.rate, 4),
        "up": options.up,
        "scale_arcsec": round(scale, 5),
        "flicker_before": flicker[0],
        "flicker_after": flicker[1],
        "frames": film.entries,
    }
    numbers = {
        "photographs": str(len(film.entries)),
        "pictures": f"{count} at {options.rate:g} a second, {count / options.rate:.1f} s",
        "size": f"{side} x {side} px",
    }
    if flicker[0] is not None and flicker[1] is not None:
        numbers["flicker of the disc's middle, frame to frame"] = (
            f"{100 * flicker[0]:.1f} % before, {100 * flicker[1]:.2f} % after"
        )
    shelve(
        workspace,
        Product(
            name="film",
            title="Time-lapse",
            caption=f"Stills of the film, which lies beside this report: "
            f"{', '.join(n.rsplit('/', 1)[1] for n in names.values())}. Registered on the Sun, "
            f"{UP_WORDS[options.up]}.",
            alt="Stills of the film in order of time",
            picture=stills,
            numbers=numbers,
            warnings=film.notes,
            files=[*names.values(), artefact("film")],
            details=details,
        ),
    )
    for note in film.notes:
        reporter.warn(note)


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


def _learnt(config: Config, shots: Shots, views: list[View]) -> tuple[Floats, float, float]:
    """Return the disc's fall of brightness, its usual level, and the corona's, from some frames."""
    disc = np.flatnonzero((shots.phase == "partial") & np.isfinite(shots.sun[:, 0]))
    corona = np.flatnonzero(shots.phase == "totality")
    some = np.concatenate(
        [rows[evenly(shots.middle_s[rows], LEARNT_FROM)] for rows in (disc, corona) if rows.size]
    )
    part = shots.take(some)
    profiles, rings = [], []
    for i, made in cuts(config, part, part.sun[:, :2], [views[k] for k in some]):
        if isinstance(made, str):
            continue
        if part.phase[i] == "partial":
            profile = disc_profile(
                made.picture, made.clipped, *discs_in_view(part, i, views[some[i]])
            )
            profiles.append(profile / part.light[i])
        else:
            rings.append(corona_light(made, part, i, views[some[i]]))
    common = common_profile(np.array(profiles)) if profiles else np.full(RINGS, np.nan)
    levels = np.array([level(p, common) for p in profiles])
    usual = float(np.nanmedian(levels)) if np.isfinite(levels).any() else math.nan
    known = np.array([r for r in rings if math.isfinite(r)])
    return common, usual, float(np.median(known)) if known.size else math.nan


def corona_light(made: Cut, shots: Shots, i: int, view: View) -> float:
    """Return the corona's light for the exposure in a ring that the Moon never reaches."""
    c = np.arange(view.side) - view.centre
    radius = float(shots.sun[i, 2]) * shots.scale_arcsec() / view.scale_arcsec
    r = np.hypot(c[:, None], c) / radius
    ring = (r > CORONA_RING[0]) & (r < CORONA_RING[1]) & ~made.clipped & (made.picture[1] > 0)
    if np.count_nonzero(ring) < 100:
        return math.nan
    return float(np.median(made.picture[1][ring])) / float(shots.light[i])


@dataclass
class Film:
    """The pictures of a film, made one at a time; what is remembered of each is a few numbers."""

    config: Config
    shots: Shots
    views: list[View]
    common: Floats
    usual_disc: float
    usual_corona: float
    entries: list[dict[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    stills: dict[int, Pixels] = field(default_factory=dict)

    def pictures(self, advance: Any) -> Iterator[NDArray[np.uint8]]:
        """Yield the film's pictures, one after the other."""
        options = self.config.film
        bare = self.shots.phase != "partial"
        # Exposures without the filter differ by little; white is where the longest one ends.
        white = float(self.shots.light[bare].max()) if bare.any() else 1.0
        kept = set(evenly(np.arange(len(self.shots), dtype=float), STILLS).tolist())
        before: Pixels | None = None
        was_bare = False
        shown = last = 0
        for i, made in cuts(self.config, self.shots, self.shots.sun[:, :2], self.views):
            advance()
            if isinstance(made, str):
                self.notes.append(f"{self.shots.file[i]} is not in the film: {made}")
                continue
            entry, picture = self._picture(i, made, white)
            if before is not None:
                lead = options.dissolve if bool(bare[i]) != was_bare else options.between
                for k, image in enumerate(dissolve(before, picture, lead)):
                    # Two times drawn over each other could not be read: that of the nearer one.
                    yield to_bytes(self._stamped(image, last if 2 * k < lead - 1 else i))
                    shown += 1
            self.entries.append(entry | {"first_picture": shown})
            stamped = self._stamped(picture, i)
            if i in kept:
                self.stills[i] = stamped[:, ::2, ::2]
            for _ in range(options.hold):
                yield to_bytes(stamped)
                shown += 1
            before, was_bare, last = picture, bool(bare[i]), i

    def _stamped(self, picture: Pixels, i: int) -> Pixels:
        """Return a picture with a frame's time, if that is asked for."""
        options = self.config.film
        if not options.time:
            return picture
        stamped, height = picture.copy(), max(12.0, 0.028 * options.size_px)
        text = f"{self.shots.clock_text(i)} UTC"
        draw_text(stamped, Label(text, height, options.size_px - 2 * height, height, False))
        return stamped

    def _picture(self, i: int, made: Cut, white: float) -> tuple[dict[str, Any], Pixels]:
        """Return what is known of a frame, and its picture, encoded."""
        shots, view = self.shots, self.views[i]
        light = float(shots.light[i])
        entry: dict[str, Any] = {
            "file": str(shots.file[i]),
            "utc": shots.utc(i),
            "filter": bool(shots.phase[i] == "partial"),
        }
        value = made.picture / np.float32(light)
        if entry["filter"]:
            discs = discs_in_view(shots, i, view)
            profile = disc_profile(value, made.clipped, *discs)
            measured = level(profile, self.common)
            factor = self._factor(self.usual_disc, measured)
            usual = self.usual_disc if math.isfinite(self.usual_disc) else 1.0 / light
            picture = SRGB.encode(value * np.float32(factor * MIDDLE / usual))
            shown = disc_profile(SRGB.decode(picture), made.clipped, *discs)
            entry |= {
                "brightness": _number(measured),
                "factor": round(factor, 5),
                "middle": _number(self._middle(profile)),
                "middle_shown": _number(self._middle(shown)),
            }
            return entry, picture
        factor = 1.0
        if shots.phase[i] == "totality":  # at the contacts the photosphere lights up all around
            measured = corona_light(made, shots, i, view)
            factor = self._factor(self.usual_corona, measured)
            entry |= {"brightness": _number(measured)}
        entry |= {"factor": round(factor, 5)}
        value *= np.float32(factor * white)
        value[:, made.clipped] = np.maximum(value[:, made.clipped], 1.0)
        drawn = np.arcsinh(np.float32(SOFT) * np.clip(value, 0.0, 1.0)) / np.arcsinh(SOFT)
        return entry, SRGB.encode((drawn**1.6).astype(np.float32))

    def _middle(self, profile: Floats) -> float:
        """Return the brightness of the disc's middle by the innermost ring in sight.

        Another measure than the level that a frame is divided by. NaN where the Moon covers the
        inner half.
        """
        seen = np.flatnonzero(np.isfinite(profile) & np.isfinite(self.common))
        if not seen.size or seen[0] >= RINGS // 2:
            return math.nan
        return float(profile[seen[0]] / np.exp(self.common[seen[0]]))

    def _factor(self, usual: float, measured: float) -> float:
        if not self.config.film.deflicker or not (measured > 0 and usual > 0):
            return 1.0
        return min(max(usual / measured, 1.0 / MOST_GAIN), MOST_GAIN)

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

    def contact_sheet(self) -> Pixels:
        """Return a few pictures of the film side by side, with their times."""
        cell = float(next(iter(self.stills.values())).shape[1])
        centres, size = places("grid", len(self.stills), cell)
        canvas = Canvas.blank(*size)
        for (i, picture), (x, y) in zip(self.stills.items(), centres, strict=True):
            canvas.lighten(picture, float(x), float(y))
            if not self.config.film.time:
                text = f"{self.shots.clock_text(i)} UTC"
                canvas.labels.append(
                    Label(text, float(x), float(y) + 0.43 * cell, max(10.0, 0.035 * cell))
                )
        return canvas.drawn()


def _number(value: float) -> float | None:
    return float(f"{value:.6g}") if math.isfinite(value) else None


def _caption(config: Config, shots: Shots) -> Caption:
    return Caption(
        description=f"Solar eclipse of {config.eclipse.isoformat()}, time-lapse, "
        f"{UP_WORDS[config.film.up]}",
        title=config.report.title,
        author=config.report.author,
        site=config.site.name,
        start=shots.utc(0)[:19] + "Z",
        end=shots.utc(len(shots) - 1)[:19] + "Z",
    )
