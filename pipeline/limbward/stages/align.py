"""Alignment: where Sun and Moon are in every frame, and which frames can be merged."""

from __future__ import annotations

from typing import Any

import astropy.units as u
import numpy as np
from astropy.table import Table
from astropy.time import Time
from numpy.typing import NDArray

from limbward.config import Config
from limbward.limb.register import is_moon_sized, off_the_path, sun_from_moon
from limbward.progress import Reporter
from limbward.sky.orientation import Orientation
from limbward.sky.track import SkyTrack
from limbward.stages import setting
from limbward.stages.columns import floats, masked_floats, masked_texts, texts
from limbward.stages.stage import Stage
from limbward.workspace import Workspace

Floats = NDArray[np.float64]

# Within this of C2 and C3 the chromosphere and the last beads outshine the inner corona.
CONTACT_MARGIN_S = 1.0
PLACES = ("sun_x", "sun_y", "sun_radius", "moon_x", "moon_y", "moon_radius")


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Place Sun and Moon in the frames and write tables/align.ecsv."""
    ingest = workspace.read_table(Workspace.table("ingest"))
    timing = workspace.read_table(Workspace.table("timing"))
    pointings = workspace.read_json(Workspace.pointing)["cameras"]
    circumstances = setting.eclipse(config)
    epoch = setting.greatest(circumstances)
    track = setting.track(config, epoch)

    n = len(ingest)
    phase = texts(timing, "phase")
    note = np.full(n, "", dtype=object)
    middle = floats(timing, "utc_s") + 0.5 * np.nan_to_num(floats(ingest, "exposure"))
    place = {name: _best(timing, ingest, name) for name in PLACES}
    limb_sigma = np.where(
        phase == "partial", _best(timing, ingest, "sun_sigma"), floats(ingest, "meas_moon_sigma")
    )
    sun_sigma, turn = np.full(n, np.nan), np.full(n, np.nan)
    totality = (phase == "totality") | (phase == "contact")

    camera, serial = texts(ingest, "camera"), texts(ingest, "serial")
    groups = sorted({(c, s) for c, s in zip(camera[totality], serial[totality], strict=True)})
    with reporter.progress(len(groups), "cameras") as advance:
        for body in groups:
            mine = totality & (camera == body[0]) & (serial == body[1])
            pointing = _pointing(config, pointings, body)
            if pointing is None:
                note[mine] = (
                    "the camera's orientation is not known (no partial-phase frame was measured); "
                    "give align.up_position_angle and align.pixel_scale_arcsec in the config"
                )
                reporter.warn(f"{body[0]} {body[1]}: {note[mine][0]}.")
                advance()
                continue
            _place(track, pointing, mine, middle, timing, place, limb_sigma, sun_sigma, turn, note)
            advance()

    usable = totality & (phase == "totality") & np.isfinite(sun_sigma)
    usable &= _inside_totality(
        setting.covered(config, circumstances), epoch, middle, floats(timing, "time_utc_sigma")
    )
    for i in np.flatnonzero((phase == "totality") & ~usable & (note == "")):
        note[i] = "too near to second or third contact, or its time is not known"
    vague = usable & (sun_sigma > config.align.max_sigma_px)
    for i in np.flatnonzero(vague):
        note[i] = f"the Sun's centre is known to {sun_sigma[i]:.2f} px only"
    usable &= ~vague

    table = Table()
    table["file"] = ingest["file"]
    for name, values in place.items():
        table[name] = masked_floats(values, u.pix)
    table["limb_sigma"] = masked_floats(limb_sigma, u.pix)
    table["sun_sigma"] = masked_floats(sun_sigma, u.pix)
    table["rotation_deg"] = masked_floats(turn, u.deg)
    table["usable"] = usable
    table["note"] = masked_texts(note)
    workspace.write_table(Workspace.table("align"), table)


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


def _place(
    track: SkyTrack,
    pointing: dict[str, Any],
    mine: NDArray[np.bool_],
    middle: Floats,
    timing: Table,
    place: dict[str, Floats],
    limb_sigma: Floats,
    sun_sigma: Floats,
    turn: Floats,
    note: NDArray[np.object_],
) -> None:
    """Fill in Sun and Moon for one camera's frames of totality."""
    rows = np.flatnonzero(mine & np.isfinite(middle))
    t = np.clip(middle[rows], track.first_s, track.last_s)
    scale = pointing["pixel_scale_arcsec"]
    orientation = Orientation(scale, pointing["up_position_angle"], pointing["mirrored"])
    turn[rows] = pointing["field_rotation_deg_per_hour"] * t / 3600.0

    expected = track.moon_radius_arcsec(t) / scale
    measured = np.isfinite(place["moon_x"][rows])
    sized = np.zeros(rows.size, bool)
    sized[measured] = is_moon_sized(place["moon_radius"][rows][measured], expected[measured])
    for i in rows[measured & ~sized]:
        note[i] = (
            f"the disc found has a radius of {place['moon_radius'][i]:.1f} px, the Moon's is "
            f"{expected[rows == i][0]:.1f} px"
        )
        place["moon_x"][i] = place["moon_y"][i] = limb_sigma[i] = np.nan
    for i in rows[~measured]:
        note[i] = "the Moon's limb could not be measured in this frame"

    velocity = (track.offset_arcsec(t + 1.0) - track.offset_arcsec(t - 1.0)) / 2.0
    time_sigma = floats(timing, "time_utc_sigma")[rows]
    sun = sun_from_moon(
        place["moon_x"][rows],
        place["moon_y"][rows],
        limb_sigma[rows],
        track.offset_arcsec(t),
        turn[rows],
        orientation,
        speed_arcsec_s=np.hypot(velocity[:, 0], velocity[:, 1]),
        time_sigma_s=time_sigma,
        up_sigma_deg=pointing["up_position_angle_sigma"],
    )
    aside = off_the_path(middle[rows], sun.x, sun.y, limb_sigma[rows])
    for i in rows[aside]:
        note[i] = "the limb found lies off the path of the frames before and after"
    place["sun_x"][rows], place["sun_y"][rows] = sun.x, sun.y
    place["sun_radius"][rows] = track.sun_radius_arcsec(t) / scale
    place["moon_radius"][rows] = expected
    sun_sigma[rows] = np.where(aside, np.nan, sun.sigma)
    for name in ("sun_radius", "moon_radius"):
        place[name][rows] = np.where(np.isfinite(sun.x), place[name][rows], np.nan)


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
    rooms=("sky", "limb", "stages/setting.py", "stages/columns.py"),
    reads=(Workspace.table("ingest"), Workspace.table("timing"), Workspace.pointing),
    writes=(Workspace.table("align"),),
)
