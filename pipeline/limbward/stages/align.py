"""Alignment: where Sun and Moon are in every frame, and which frames can be merged."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.config import Config
from limbward.geometry.orientation import Orientation
from limbward.limb.adjust import Adjustment, Limbs, adjust
from limbward.limb.register import is_moon_sized
from limbward.sky.track import SkyTrack
from limbward.stages import setting
from limbward.stages.stage import Stage
from limbward.stages.totality import (
    Comparison,
    Session,
    compare,
    limbs_of,
    pairs_of,
    session,
    turns_of,
)
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, masked_floats, masked_texts, texts
from limbward.workspace.stored import read_cameras, read_stage_tables

Floats = NDArray[np.float64]

# Within this of C2 and C3 the chromosphere and the last beads outshine the inner corona.
CONTACT_MARGIN_S = 1.0
PLACES = ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius")
NOT_MERGED = {
    "partial": "a partial phase",
    "contact": "the photosphere is in sight",
    "dark": "a dark frame",
    "flat": "a flat field",
    "bias": "a bias frame",
}
TURNED_DEG = 1.0  # a picture turned by more than this against the others is worth a note
BLURRED = 1.6  # a limb this many times as wide as the camera's usual is shaken or out of focus


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Place Sun and Moon in the frames and write tables/align.ecsv."""
    ingest, timing = read_stage_tables(workspace, "ingest", "timing")
    pointings = read_cameras(workspace, Workspace.pointing)
    circumstances = setting.eclipse(config)
    epoch = setting.greatest(circumstances)
    frames = Frames(config, workspace, reporter, ingest, timing, setting.track(config, epoch))

    totality = np.isin(frames.phase, ("totality", "contact"))
    camera, serial = texts(ingest, "camera"), texts(ingest, "serial")
    for body in sorted({(c, s) for c, s in zip(camera[totality], serial[totality], strict=True)}):
        mine = np.flatnonzero(totality & (camera == body[0]) & (serial == body[1]))
        pointing = _pointing(config, pointings, body)
        if pointing is None:
            frames.note[mine] = (
                "the camera's orientation is not known (no partial phase was measured, and the "
                "Moon's motion against the corona does not tell); give align.up_position_angle "
                "and align.pixel_scale_arcsec in the config"
            )
            reporter.warn(f"{body[0]} {body[1]}: {frames.note[mine][0]}.")
        else:
            frames.place_body(mine, pointing)
    frames.write(setting.covered(config, circumstances), epoch)


class Frames:
    """The columns of tables/align.ecsv while they are filled in, camera by camera."""

    def __init__(
        self,
        config: Config,
        workspace: Workspace,
        reporter: Reporter,
        ingest: Table,
        timing: Table,
        track: SkyTrack,
    ) -> None:
        self.config, self.workspace, self.reporter = config, workspace, reporter
        self.ingest, self.timing, self.track = ingest, timing, track
        n = len(ingest)
        self.phase = texts(timing, "phase")
        self.note = np.full(n, "", dtype=object)
        exposure = np.nan_to_num(floats(ingest, "exposure"))
        self.middle = floats(timing, "utc_s") + 0.5 * exposure
        self.time_sigma = floats(timing, "time_utc_sigma")
        self.place = {name: _best(timing, ingest, name) for name in PLACES}
        self.limb_sigma = np.where(
            self.phase == "partial",
            _best(timing, ingest, "sun_sigma"),
            floats(ingest, "meas_moon_sigma"),
        )
        self.sun_sigma, self.turn = np.full(n, np.nan), np.full(n, np.nan)
        self.limb_miss = np.full(n, np.nan)

    def place_body(self, mine: NDArray[np.int64], pointing: dict[str, Any]) -> None:
        """Place Sun and Moon in one camera's frames of totality."""
        scale = pointing["pixel_scale_arcsec"]
        orientation = Orientation(scale, pointing["up_position_angle"], pointing["mirrored"])
        self._refuse_wrong_discs(mine, scale)
        s = session(self.ingest, mine[self.note[mine] == ""], self.middle)
        if not s.rows.size:
            return
        # Position angles grow from x towards y in a mirrored picture, the other way otherwise.
        side = 1.0 if orientation.mirrored else -1.0
        hours = s.time_s / 3600.0
        turn_up = pointing["field_rotation_deg_per_hour"] * hours
        limbs = limbs_of(s, self.track, turn_up)
        guess = adjust(
            limbs,
            pairs_of([], s.moon_x, s.moon_y),
            orientation,
            up_sigma_deg=pointing["up_position_angle_sigma"],
            time_sigma_s=1e-3,
        )
        sun_x, sun_y = guess.x, guess.y
        with self.reporter.progress(s.rows.size, "registering on the corona") as advance:
            comparisons = compare(
                self.workspace, self.ingest, s, sun_x, sun_y, -side * turn_up, advance
            )
        extra = self._extra_turns(s, comparisons, -side * turn_up)
        turn_up = turn_up - side * extra
        found = adjust(
            replace(limbs, turn_deg=turn_up),
            pairs_of(comparisons, sun_x, sun_y),
            orientation,
            up_sigma_deg=pointing["up_position_angle_sigma"],
            time_sigma_s=1e-3,
        )
        common = self._common_sigma(s, limbs, scale)
        self._fill(s, found, turn_up, scale, common)
        self._judge_sharpness(s)

    def _refuse_wrong_discs(self, mine: NDArray[np.int64], scale: float) -> None:
        measured = np.isfinite(self.place["moon_x"][mine])
        t = np.clip(np.nan_to_num(self.middle[mine]), self.track.first_s, self.track.last_s)
        expected = self.track.moon_radius_arcsec(t) / scale
        radius = self.place["moon_radius"][mine]
        for k, row in enumerate(mine):
            if not measured[k]:
                self.note[row] = "the Moon's limb could not be measured in this frame"
            elif not is_moon_sized(radius[k : k + 1], expected[k : k + 1])[0]:
                self.note[row] = (
                    f"the disc found has a radius of {radius[k]:.1f} px, the Moon's is "
                    f"{expected[k]:.1f} px"
                )
                for name in ("moon_x", "moon_y", "moon_radius"):
                    self.place[name][row] = np.nan
                self.limb_sigma[row] = np.nan

    def _extra_turns(self, s: Session, comparisons: list[Comparison], assumed: Floats) -> Floats:
        """Return how far pictures are turned beyond what the mount explains, from x towards y."""
        turns, sigma = turns_of(comparisons, s.rows.size)
        extra = turns - assumed
        extra -= np.nanmedian(extra) if np.isfinite(extra).any() else 0.0
        # The mount's model is the better one unless the pictures clearly say otherwise.
        clear = np.abs(extra) > np.maximum(5.0 * sigma, 0.05)
        extra = np.where(np.isfinite(extra) & clear, extra, 0.0)
        for i in np.flatnonzero(np.abs(extra) > TURNED_DEG):
            self.note[s.rows[i]] = f"the camera is turned by {extra[i]:.1f} degrees in this frame"
        return extra

    def _common_sigma(self, s: Session, limbs: Limbs, scale: float) -> float:
        """Return the error that all Sun centres share, the clock's, pixels."""
        speed = float(np.median(np.hypot(*limbs.velocity_arcsec_s.T))) / scale
        return speed * float(np.nanmin(self.time_sigma[s.rows], initial=60.0))

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
        self.turn[rows] = turn_up
        self.limb_miss[rows] = found.limb_miss_px
        for i, row in enumerate(rows):
            if not found.limb_used[i] and found.held_by_pairs[i]:
                self._say(
                    row, f"its limb is {found.limb_miss_px[i]:.1f} px off; placed by the corona"
                )
            elif not found.limb_used[i]:
                self._say(
                    row,
                    "its limb disagrees with the other frames and no other frame shows "
                    "the same corona",
                )
                self.sun_sigma[row] = np.nan

    def _judge_sharpness(self, s: Session) -> None:
        """Leave out frames whose limb is much softer than the camera's others."""
        sharpness = floats(self.ingest, "sharpness")[s.rows]
        seen = np.isfinite(sharpness)
        if seen.sum() < 4:
            return
        usual = float(np.median(sharpness[seen]))
        for i in np.flatnonzero(seen):
            # An undersampled limb has hardly a width of its own.
            if sharpness[i] > BLURRED * max(usual, 1.0) + 0.3:
                self._say(
                    s.rows[i],
                    f"shaken or out of focus: its limb is {sharpness[i]:.1f} px wide, "
                    f"{usual:.1f} px is usual",
                )
                self.sun_sigma[s.rows[i]] = np.nan

    def _say(self, row: int, text: str) -> None:
        self.note[row] = f"{self.note[row]}; {text}" if self.note[row] else text

    def write(self, covered: tuple[Time, Time] | None, epoch: Time) -> None:
        """Decide which frames can be merged and write the table."""
        usable = (self.phase == "totality") & np.isfinite(self.sun_sigma)
        usable &= _inside_totality(covered, epoch, self.middle, self.time_sigma)
        for i in np.flatnonzero((self.phase == "totality") & ~usable & (self.note == "")):
            self.note[i] = "too near to second or third contact, or its time is not known"
        vague = usable & (self.sun_sigma > self.config.align.max_sigma_px)
        for i in np.flatnonzero(vague):
            self._say(int(i), f"the Sun's centre is known to {self.sun_sigma[i]:.2f} px only")
        for phase, why in NOT_MERGED.items():
            for i in np.flatnonzero((self.phase == phase) & (self.note == "")):
                self.note[i] = why
        table = Table()
        table["file"] = self.ingest["file"]
        for name, values in self.place.items():
            table[name] = masked_floats(values, u.pix)
        table["limb_sigma"] = masked_floats(self.limb_sigma, u.pix)
        table["sun_sigma"] = masked_floats(self.sun_sigma, u.pix)
        table["limb_miss"] = masked_floats(self.limb_miss, u.pix)
        table["rotation_deg"] = masked_floats(self.turn, u.deg)
        table["usable"] = usable & ~vague
        table["note"] = masked_texts(self.note)
        self.workspace.write_table(Workspace.table("align"), table)


def _best(timing: Table, ingest: Table, name: str) -> Floats:
    """Return a measured quantity as timing refined it, or as ingest found it."""
    refined = floats(timing, name)
    return np.where(np.isfinite(refined), refined, floats(ingest, f"meas_{name}"))


def _pointing(
    config: Config, pointings: list[dict[str, Any]], body: tuple[str, str]
) -> dict[str, Any] | None:
    """Return a camera's entry of pointing.json with what the config says about it."""
    found = next((p for p in pointings if (p["camera"], p["serial"]) == body), None)
    up, scale = config.align.up_position_angle, config.align.pixel_scale_arcsec
    if found is None and (up is None or scale is None):
        return None
    pointing = found or {
        "mirrored": False,
        "up_position_angle_sigma": 0.1,
        "field_rotation_deg_per_hour": 0.0,
    }
    if up is not None:
        pointing = pointing | {"up_position_angle": up}
    if scale is not None:
        pointing = pointing | {"pixel_scale_arcsec": scale}
    return pointing


def _inside_totality(
    totality: tuple[Time, Time] | None, epoch: Time, middle: Floats, time_sigma: Floats
) -> NDArray[np.bool_]:
    """Return which frames were surely taken while the photosphere was covered."""
    if totality is None:
        return np.zeros(middle.size, bool)
    second, third = ((t - epoch).to_value("s") for t in totality)
    margin = CONTACT_MARGIN_S + np.nan_to_num(np.minimum(time_sigma, 20.0), nan=20.0)
    return np.asarray((middle > second + margin) & (middle < third - margin))


STAGE = Stage(
    name="align",
    run=run,
    sections=("site", "eclipse", "sky", "align"),
    reads=(
        Workspace.table("ingest"),
        Workspace.table("timing"),
        Workspace.pointing,
        Workspace.reduced,
    ),
    writes=(Workspace.table("align"),),
)
