"""Sun and Moon in every frame of totality: placed by limbs, ephemeris and corona, and judged."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from limbward.geometry.lens import STRAIGHT, Lens
from limbward.geometry.pointing import Pointing
from limbward.limb.adjust import Adjustment, Limbs, Pairs, adjust
from limbward.limb.alike import exposure_levels
from limbward.limb.alone import place_alone
from limbward.limb.compare import Comparison, Crops, compare, pairs_of, turns_of
from limbward.limb.drift import doubted
from limbward.limb.drowned import DROWNED
from limbward.limb.register import is_moon_sized
from limbward.limb.session import Session, limbs_of, scale_by_moon, session
from limbward.limb.small import NO_LIMB
from limbward.limb.trail import trailed
from limbward.limb.words import OVERRULE
from limbward.sky.aside import turned_aside
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
# Takes a number of steps and what they are, returns what is called after each.
Progress = Callable[[int, str], AbstractContextManager[Callable[[], None]]]

PLACES = ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius")
LEAST_APART = 0.01  # lunar radii that Sun and Moon are at least taken to be apart, if not told
TURNED_DEG = 1.0  # a picture turned by more than this against the others is worth a note
NEARLY = 0.3  # of the Moon's radius: a disc so much too large or small is its limb, badly seen
AGREED_PX = 1.0  # to which comparisons must agree on a frame that has no limb to go by
BLURRED = 1.6  # a limb this many times as wide as the camera's usual is shaken or out of focus
KNOWN_TIME_SIGMA_S = 1e-3  # what the clock leaves open is common, and added at the end


@dataclass(frozen=True)
class Seen:
    """What N frames showed, and when.

    Attributes
    ----------
    phase : ndarray of str
        By content and time.
    content : ndarray of str
        By what the picture shows alone.
    reading_s : ndarray
        Middle of the exposure by the camera's own clock; only differences count.
    middle_s, time_sigma_s, exposure_s : ndarray
        Middle of the exposure from the epoch, its standard error, and its length.
    limb_width : ndarray
        Width of the limb, pixels.
    trail : ndarray
        As of `limbward.limb.trail.trail_px`.
    behind_filter : ndarray of bool
        Frames of totality with the filter on.
    clipped : ndarray of bool
        Frames in which most of the Moon's limb is clipped.
    drowned : ndarray of bool
        Frames whose Moon is known to be somewhere in what is clipped only, see
        `limbward.limb.drowned`, or whose Sun is too small for a limb.
    measured : dict of str to ndarray
        Discs as first measured (``moon_x``, ``moon_y``, ``moon_radius``, ``moon_sigma``), pixels;
        of drowned frames the middle of what is clipped.
    best : dict of str to ndarray
        ``PLACES`` and ``sun_sigma``, measured anew where that was possible.
    middle_px : ndarray, shape (N, 2), optional
        The middle of each frame, x and y: where the field turns with the zenith, a Sun beside it
        shows the picture turned.
    small : ndarray of bool, optional
        Frames of a Sun too small for a limb, see `limbward.limb.small`: what was measured is the
        middle of the corona, the Sun's.
    """

    phase: NDArray[np.object_]
    content: NDArray[np.object_]
    reading_s: Floats
    middle_s: Floats
    time_sigma_s: Floats
    exposure_s: Floats
    limb_width: Floats
    trail: Floats
    behind_filter: NDArray[np.bool_]
    clipped: NDArray[np.bool_]
    drowned: NDArray[np.bool_]
    measured: dict[str, Floats]
    best: dict[str, Floats]
    middle_px: Floats | None = None
    small: NDArray[np.bool_] | None = None


class Placing:
    """Places of Sun and Moon in N frames while they are filled in, camera by camera.

    Attributes
    ----------
    place : dict of str to ndarray
        ``PLACES``, pixels.
    limb_sigma, sun_sigma, limb_miss : ndarray
        Standard errors of limb and Sun centre, and the limb's distance from where the adjustment
        puts it, pixels. A frame without ``sun_sigma`` cannot be merged.
    relative : ndarray
        Standard error of the Sun's centre against those of the other frames, pixels: what decides
        whether they can be merged. What all share moves the picture's coordinates, no more.
    tied : ndarray of bool
        Whether the frame shows the same corona as most of its camera's others.
    turn_deg : ndarray
        How far the field has turned since greatest eclipse.
    note : ndarray of str
        What a person should know of a frame.
    """

    def __init__(self, track: SkyTrack, seen: Seen) -> None:
        n = seen.phase.size
        self.track, self.seen = track, seen
        self.note = np.full(n, "", dtype=object)
        self.place = {name: seen.best[name].copy() for name in PLACES}
        # The Moon's limb of a crescent taken for the one before the corona is pixels off.
        lone = (seen.phase == "partial") & ~np.isfinite(seen.best["sun_x"])
        for name in ("moon_x", "moon_y", "moon_radius"):
            self.place[name][lone] = np.nan
        self.limb_sigma = np.where(
            seen.phase == "partial", seen.best["sun_sigma"], seen.measured["moon_sigma"]
        )
        self.sun_sigma, self.turn_deg = np.full(n, np.nan), np.full(n, np.nan)
        self.limb_miss, self.relative = np.full(n, np.nan), np.full(n, np.nan)
        self.tied = np.zeros(n, bool)
        # Why a frame's limb is not believed, which the corona may place all the same.
        self._loose = np.full(n, "", dtype=object)
        # Whose limb is clipped and off: an edge of the glare, which says nothing of sharpness.
        self._glare = np.zeros(n, bool)

    def place_body(
        self,
        mine: NDArray[np.int64],
        pointing: Pointing,
        crops: Crops,
        progress: Progress,
        lens: Lens = STRAIGHT,
    ) -> None:
        """Place Sun and Moon in one camera's frames of totality.

        Parameters
        ----------
        mine : ndarray of int
            The frames' rows.
        pointing : Pointing
        crops : callable
            Takes a row, returns its `Crop` or None.
        progress : callable
        lens : Lens
            Places are solved for as it would draw them without distortion, and given as it does.
        """
        orientation = pointing.orientation
        scale = orientation.pixel_scale_arcsec
        self._doubt_discs(mine, scale)
        seen = self.seen
        rows = mine[self.note[mine] == ""]
        s = session(rows, seen.middle_s, seen.exposure_s, seen.measured).straight(lens)
        if not s.rows.size:
            self.place_by_frames(mine, pointing, crops, progress, lens)
            return
        # Position angles grow from x towards y in a mirrored picture, the other way otherwise.
        side = 1.0 if orientation.mirrored else -1.0
        hours = s.time_s / 3600.0
        turn_up = pointing.rotation_deg_per_hour * hours + self._aside(s, pointing)
        limbs = limbs_of(s, self.track, turn_up)
        if self.seen.small is not None:
            limbs = limbs.of_suns(self.seen.small[s.rows])
        guess = adjust(
            limbs,
            pairs_of([], s.moon_x, s.moon_y),
            orientation,
            up_sigma_deg=pointing.up_sigma_deg,
            time_sigma_s=KNOWN_TIME_SIGMA_S,
        )
        sun_x, sun_y = guess.x, guess.y
        with progress(s.rows.size, "registering on the corona") as advance:
            comparisons = compare(
                crops, s, sun_x, sun_y, -side * turn_up, advance, lens, self._limbless,
                self.seen.phase == "contact",
            )  # fmt: skip
        extra = self._extra_turns(s, comparisons, -side * turn_up)
        turn_up = turn_up - side * extra
        limbs = replace(limbs, turn_deg=turn_up, level=exposure_levels(s.exposure_s))
        pairs = doubted(pairs_of(comparisons, sun_x, sun_y), limbs, orientation, s.time_s)
        found = adjust(
            limbs,
            pairs,
            orientation,
            up_sigma_deg=pointing.up_sigma_deg,
            time_sigma_s=KNOWN_TIME_SIGMA_S,
        )
        if found.limb_used.sum() < 0.5 * np.isfinite(found.limb_miss_px).sum():
            # The ephemeris contradicts the frames: the site, the clock or the config is wrong.
            self.note[s.rows] = ""
            self.place_by_frames(mine, pointing, crops, progress, lens)
            return
        common = self._common_sigma(s, limbs, scale)
        self.tied[s.rows] = found.held_by_pairs
        self._fill(s, found, turn_up, scale, common)
        self._judge_loose(s, pairs)
        self._judge_limb_width(s)
        self._bend(s.rows, lens, ("sun", "moon"))

    def place_by_frames(
        self,
        mine: NDArray[np.int64],
        pointing: Pointing | None,
        crops: Crops,
        progress: Progress,
        lens: Lens = STRAIGHT,
    ) -> None:
        """Place one camera's frames by each other alone, the Sun where the Moon is on average.

        Parameters
        ----------
        mine, pointing, crops, progress, lens
            As for `place_body`. Without a pointing the Moon's size tells the scale.
        """
        seen = self.seen
        timed = np.isfinite(seen.middle_s)
        if not timed[mine].all():
            timed = np.isfinite(seen.reading_s)
        time_s = seen.middle_s if np.isfinite(seen.middle_s[mine]).all() else seen.reading_s
        latest = np.nanmax(time_s[mine], initial=0.0)
        # Frames without a time are taken to be in the order of the table.
        in_order = np.where(timed, time_s, latest + 1.0 + np.arange(timed.size))
        measured = mine[np.isfinite(seen.measured["moon_x"][mine]) & ~seen.drowned[mine]]
        small = seen.small is not None and bool(seen.small[mine].any())
        if not measured.size and (pointing is None or not small):
            self.note[mine] = "the Moon's limb could not be measured in this frame"
            return
        if pointing is None:
            every = session(measured, in_order, seen.exposure_s, seen.measured).straight(lens)
            scale = scale_by_moon(every, self.track)
        else:
            scale = pointing.orientation.pixel_scale_arcsec
        self._doubt_discs(mine, scale)
        rows = mine[self.note[mine] == ""]
        s = session(rows, in_order, seen.exposure_s, seen.measured).straight(lens)
        if not s.rows.size:
            return
        turned = np.zeros(s.rows.size)
        if pointing is not None and timed[s.rows].all():
            side = 1.0 if pointing.orientation.mirrored else -1.0
            turn_up = pointing.rotation_deg_per_hour * s.time_s / 3600.0
            turned = -side * (turn_up + self._aside(s, pointing))
        else:
            side = -1.0
        with progress(s.rows.size, "registering on the corona") as advance:
            comparisons = compare(
                crops, s, s.moon_x, s.moon_y, turned, advance, lens, self._limbless
            )
        turned = turned + self._extra_turns(s, comparisons, turned)
        sizes = (self.track.moon_radius_arcsec, self.track.sun_radius_arcsec)
        moon, sun = (float(size(np.zeros(1))[0]) / scale for size in sizes)
        beside = np.array([-60.0, 60.0])
        moved = np.diff(self.track.offset_arcsec(beside), axis=0)[0] / 120.0
        pairs = pairs_of(comparisons, s.moon_x, s.moon_y)
        found = place_alone(
            s,
            pairs,
            timed[s.rows],
            speed_px_s=float(np.hypot(*moved)) / scale,
            # Beyond this the photosphere shows on one side.
            furthest_px=max(moon - sun, LEAST_APART * moon),
        )
        rows = s.rows
        self.place["sun_x"][rows], self.place["sun_y"][rows] = found.x, found.y
        self.place["sun_radius"][rows], self.place["moon_radius"][rows] = sun, moon
        self.relative[rows] = found.relative
        self.sun_sigma[rows] = np.hypot(found.relative, found.common)
        self.limb_miss[rows] = found.limb_miss
        self.turn_deg[rows] = -side * turned
        self.tied[rows] = found.core
        self._judge_loose(s, pairs)
        self._judge_limb_width(s)
        self._bend(s.rows, lens, ("sun",))  # the Moon is where its limb was measured

    def _bend(self, rows: NDArray[np.int64], lens: Lens, names: tuple[str, ...]) -> None:
        """Turn places without distortion into those at which the lens draws them."""
        for name in names:
            x, y, radius = (self.place[f"{name}_{part}"][rows] for part in ("x", "y", "radius"))
            self.place[f"{name}_radius"][rows] = lens.bent_disc(x, y, radius)[2]
            self.place[f"{name}_x"][rows], self.place[f"{name}_y"][rows] = lens.bent(x, y)

    def _doubt_discs(self, mine: NDArray[np.int64], scale: float) -> None:
        """Refuse discs that cannot be the Moon's, and hold those loosely that hardly show it."""
        measured = np.isfinite(self.seen.measured["moon_x"][mine])
        t = np.clip(np.nan_to_num(self.seen.middle_s[mine]), self.track.first_s, self.track.last_s)
        expected = self.track.moon_radius_arcsec(t) / scale
        radius = self.place["moon_radius"][mine]
        for k, row in enumerate(mine):
            if self.seen.drowned[row]:
                small = self.seen.small is not None and self.seen.small[row]
                self._hold_loosely(row, expected[k], NO_LIMB if small else DROWNED)
                continue
            if not measured[k]:
                self.note[row] = "the Moon's limb could not be measured in this frame"
                continue
            if is_moon_sized(radius[k : k + 1], expected[k : k + 1])[0]:
                continue
            wrong = (
                f"the disc found has a radius of {radius[k]:.1f} px, the Moon's is "
                f"{expected[k]:.1f} px"
            )
            off = abs(radius[k] - expected[k])
            if self.seen.phase[row] == "totality" and off < NEARLY * expected[k]:
                self.seen.measured["moon_sigma"][row] = 2.0 * off
                self._hold_loosely(row, expected[k], wrong)
            else:
                self.note[row] = wrong
                self.limb_sigma[row] = np.nan
            for name in ("moon_x", "moon_y", "moon_radius"):
                self.place[name][row] = np.nan

    @property
    def _limbless(self) -> NDArray[np.bool_]:
        """Frames without a limb among others that have one; frames of a small Sun are all alike."""
        loose = self._loose != ""
        return loose if self.seen.small is None else loose & ~self.seen.small

    def _hold_loosely(self, row: int, radius: float, why: str) -> None:
        self._loose[row] = why
        self.seen.measured["moon_radius"][row] = radius
        self.limb_sigma[row] = np.nan

    def _judge_loose(self, s: Session, pairs: Pairs) -> None:
        """Refuse frames without a limb to go by on whose place the coronae of others differ."""
        loose = self._loose[s.rows] != ""
        told = ~loose
        if self.seen.small is not None:
            told |= self.seen.small[s.rows]  # whose place is the corona's
        x, y = self.place["sun_x"][s.rows], self.place["sun_y"][s.rows]
        for i in np.flatnonzero(loose):
            row = s.rows[i]
            mine = (pairs.first == i) & told[pairs.second]
            mine |= (pairs.second == i) & told[pairs.first]
            first, second = pairs.first[mine], pairs.second[mine]
            rest = np.hypot(
                x[first] - x[second] - pairs.dx[mine], y[first] - y[second] - pairs.dy[mine]
            )
            self.limb_miss[row] = np.nan
            if rest.size > 1 and np.median(rest) < AGREED_PX and self.tied[row]:
                self.say(row, f"{self._loose[row]}; placed by the corona")
            else:
                why = f"{self._loose[row]}, and the corona does not give its position either "
                self.say(row, why + OVERRULE)
                self.sun_sigma[row] = np.nan

    def _aside(self, s: Session, pointing: Pointing) -> Floats:
        """Return how far pictures are turned by a Sun beside their middle, shape (N,)."""
        if self.seen.middle_px is None or not pointing.rotation_deg_per_hour:
            return np.zeros(s.rows.size)
        beside = np.stack([s.moon_x, s.moon_y], axis=1) - self.seen.middle_px[s.rows]
        t = np.clip(s.time_s, self.track.first_s, self.track.last_s)
        turning = self.track.leaning(*pointing.lean_deg)
        return np.nan_to_num(turned_aside(pointing.orientation, turning, t, *beside.T))

    def _extra_turns(self, s: Session, comparisons: list[Comparison], assumed: Floats) -> Floats:
        """Return how far pictures are turned beyond what the mount explains, from x towards y."""
        turns, sigma = turns_of(comparisons, s.rows.size)
        extra = turns - assumed
        extra -= np.nanmedian(extra) if np.isfinite(extra).any() else 0.0
        # The mount's model is the better one unless the pictures clearly say otherwise.
        clear = np.abs(extra) > np.maximum(5.0 * sigma, 0.05)
        # Beads move around the limb, which looks as if the picture turned.
        clear &= self.seen.phase[s.rows] == "totality"
        extra = np.where(np.isfinite(extra) & clear, extra, 0.0)
        for i in np.flatnonzero(np.abs(extra) > TURNED_DEG):
            self.note[s.rows[i]] = f"the camera is turned by {extra[i]:.1f} degrees in this frame"
        return extra

    def _common_sigma(self, s: Session, limbs: Limbs, scale: float) -> float:
        """Return the error that all Sun centres share, the clock's, pixels."""
        speed = float(np.median(np.hypot(*limbs.velocity_arcsec_s.T))) / scale
        return speed * float(np.nanmin(self.seen.time_sigma_s[s.rows], initial=60.0))

    def _fill(
        self, s: Session, found: Adjustment, turn_up: Floats, scale: float, common: float
    ) -> None:
        rows = s.rows
        t = np.clip(s.time_s, self.track.first_s, self.track.last_s)
        moon = self.track.moon_radius_arcsec(t) / scale
        known = np.isfinite(found.x)
        self.place["sun_x"][rows], self.place["sun_y"][rows] = found.x, found.y
        # An overexposed limb is measured to a quarter of a pixel, its place among the others to a
        # twentieth.
        self.place["moon_x"][rows], self.place["moon_y"][rows] = found.moon_x, found.moon_y
        self.place["sun_radius"][rows] = self.track.sun_radius_arcsec(t) / scale
        self.place["moon_radius"][rows] = moon
        self.sun_sigma[rows] = np.where(known, np.hypot(found.sigma, common), np.nan)
        self.relative[rows] = np.where(known, found.relative, np.nan)
        self.turn_deg[rows] = turn_up
        self.limb_miss[rows] = found.limb_miss_px
        for i, row in enumerate(rows):
            if self._loose[row]:
                continue
            if not found.limb_used[i] and found.held_by_pairs[i]:
                self._glare[row] = self.seen.clipped[row]
                self.say(
                    row, f"its limb is {found.limb_miss_px[i]:.1f} px off; placed by the corona"
                )
            elif not found.limb_used[i]:
                self.say(
                    row,
                    "its limb disagrees with the other frames, and no other frame shows the same "
                    "part of the corona" + OVERRULE,
                )
                self.sun_sigma[row] = np.nan

    def _judge_limb_width(self, s: Session) -> None:
        """Leave out frames whose limb is much softer than the others', all around or one way."""
        limb_width = self.seen.limb_width[s.rows]
        trail = self.seen.trail[s.rows]
        for i in np.flatnonzero(trailed(trail, limb_width) & (self._loose[s.rows] == "")):
            self.say(s.rows[i], f"moved by {trail[i]:.0f} px during the exposure" + OVERRULE)
            self.sun_sigma[s.rows[i]] = np.nan
        # A limb that is not believed has no width either.
        seen = np.isfinite(limb_width) & (self._loose[s.rows] == "") & ~self._glare[s.rows]
        if seen.sum() < 4:
            return
        usual = float(np.median(limb_width[seen]))
        others = f"{usual:.1f} px" if usual >= 1.0 else "less than a pixel"
        for i in np.flatnonzero(seen):
            # An undersampled limb has hardly a width of its own.
            if limb_width[i] > BLURRED * max(usual, 1.0) + 0.3:
                self.say(
                    s.rows[i],
                    f"shaken or out of focus: its limb is {limb_width[i]:.1f} px wide, {others} is "
                    "usual" + OVERRULE,
                )
                self.sun_sigma[s.rows[i]] = np.nan

    def say(self, row: int, text: str) -> None:
        """Add to what a person should know of a frame."""
        if text.endswith(OVERRULE):  # said once, at the end
            self.note[row] = self.note[row].replace(OVERRULE, "")
        self.note[row] = f"{self.note[row]}; {text}" if self.note[row] else text
