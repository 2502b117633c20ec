"""`limbward landscape`: where wide frames look, what is in them, and the Sun's path."""

from __future__ import annotations

from typing import Any

import astropy.units as u
import numpy as np
from astropy.io import fits
from astropy.table import Table
from astropy.time import TimeDelta

from limbward.config import Config
from limbward.landscape.lens import directions
from limbward.landscape.told import frame_told, lens_told, pose_told
from limbward.products import landscape_pictures as pictures
from limbward.products.wide_frames import WideFrames, read_wide
from limbward.sky.circumstances import iso_utc
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import masked_floats, masked_texts
from limbward.workspace.frames import assemble_frames
from limbward.workspace.product import Product, artefact, write_product

SKY = "sky.json"
TABLE = Workspace.table("landscape")
DIRECTIONS_PX = 1000  # longer side of the maps of directions, which are smooth
LEAST_SIGMA_S = 1.0  # of a clock by light: thin cloud comes and goes


def run(config: Config, workspace: Workspace, reporter: Reporter) -> None:
    """Write sky.json, the times, the maps of directions and the pictures.

    Raises
    ------
    LimbwardError
        If there are no wide frames, or the Sun shows in none of them.
    """
    wide = read_wide(config, workspace, reporter)
    told = _told(wide)
    workspace.write_json(SKY, told)
    _write_times(workspace, wide)
    assemble_frames(workspace)
    files = [SKY, TABLE, *_write_directions(workspace, wide)]
    made = pictures.write_all(config, workspace, reporter, wide)
    lens, clock = told["lens"], told["clock"]
    named = sorted({b["name"] for f in told["frames"] for b in f.get("bodies", [])})
    solved = int((wide.session.stand >= 0).sum())
    product = Product(
        name="landscape",
        title="The whole sky",
        caption=f"{made.words} The lens, how the tripod stood and the clock follow from "
        f"the Sun{', planets and stars' if named else ''} in {solved} frames.",
        alt="A wide frame with planets, stars, altitudes, azimuths and the horizon marked",
        picture=made.annotated,
        numbers={
            "wide frames": f"{len(wide.frames)}, {solved} of them solved",
            "lens": f"{lens['projection']}, {lens['focal_px']:.0f} pixels of focal length, "
            f"distortion {lens['distortion']:+.3f}",
            "off, root mean square": f"{float(np.nanmedian(wide.session.off_px)):.2f} pixels",
            "named": ", ".join(named) or "no planet or star",
            "clock": clock["words"],
        },
        warnings=[*wide.notes, *_warnings(wide), *made.notes],
        files=[*files, *made.files, artefact("landscape")],
        details={"lens": lens, "clock": clock, "bodies": named},
    )
    write_product(workspace, reporter, product)


def _told(wide: WideFrames) -> dict[str, Any]:
    session = wide.session
    frames = []
    times = _utc(wide)
    for k, file in enumerate(wide.file):
        one: dict[str, Any] = {"file": file, "utc": times[k] or None}
        if session.stand[k] >= 0:
            one |= frame_told(k, wide.frames[k], session, wide.heavens)
        else:
            one["note"] = "Nothing in it tells where it looks."
        frames.append(one)
    fit = session.fit
    poses = [
        pose_told(pose, level_assumed=level)
        for pose, level in zip(fit.poses, session.level_assumed, strict=True)
    ]
    sigma = _sigma(wide)
    if wide.timed:
        words = "that of the stage timing"
    elif session.clock is None:
        words = f"not known; the time of its tags is taken, to {sigma:.0f} s"
    else:
        words = f"{fit.offset_s:+.1f} ± {sigma:.1f} s from UTC, by the fading of the light"
    clock = {
        "by": "timing" if wide.timed else "light" if session.clock is not None else "tags",
        "offset_s": None if wide.timed else round(fit.offset_s, 2),
        "offset_sigma_s": round(sigma, 2),
        "words": words,
    }
    return {"lens": lens_told(session), "stands": poses, "clock": clock, "frames": frames}


def _sigma(wide: WideFrames) -> float:
    return max(wide.session.fit.offset_sigma_s, 0.0 if wide.timed else LEAST_SIGMA_S)


def _utc(wide: WideFrames) -> list[str]:
    """Return the starts of the exposures, empty where not known."""
    start = wide.since_s() - 0.5 * wide.exposure_s
    return [
        iso_utc(wide.heavens.epoch + TimeDelta(t * u.s)) if np.isfinite(t) else "" for t in start
    ]


def _write_times(workspace: Workspace, wide: WideFrames) -> None:
    """Write the times of frames that the stage timing has not dated; frames.ecsv takes them."""
    known = not wide.timed and wide.session.clock is not None
    times = _utc(wide) if known else [""] * len(wide.file)
    sigma = np.where([bool(t) for t in times], _sigma(wide), np.nan)
    table = Table()
    table["file"] = wide.file
    table["time_utc"] = masked_texts(times)
    table["time_utc_sigma"] = masked_floats(sigma, u.s)
    table["stand"] = wide.session.stand
    table["off_px"] = masked_floats(wide.session.off_px, u.pix)
    table["note"] = masked_texts(["wide frame, dated by the light" if t else "" for t in times])
    workspace.write_table(TABLE, table)


def _write_directions(workspace: Workspace, wide: WideFrames) -> list[str]:
    """Write altitude and azimuth of the pixels, a file for each place of the tripod."""
    seen = wide.frames[0].seen
    step = max(1, -(-max(seen.width, seen.height) // DIRECTIONS_PX))
    names = []
    for stand in range(len(wide.session.fit.poses)):
        planes = directions(wide.session.fit.camera(stand), seen.width, seen.height, step)
        # FITS has the bottom row first.
        hdu = fits.PrimaryHDU(np.stack(planes)[:, ::-1].astype(np.float32))
        hdu.header["BUNIT"] = "deg"
        hdu.header["STEP"] = (step, "raw pixels from one value to the next")
        hdu.header["COMMENT"] = "First plane altitude, refraction included; second azimuth from N."
        names.append(f"landscape/directions-{stand}.fits")
        with workspace.writing(names[-1]) as part:
            hdu.writeto(part, overwrite=True)
    return names


def _warnings(wide: WideFrames) -> list[str]:
    said = []
    if any(wide.session.level_assumed):
        said.append(
            "In some frames only the Sun tells where the camera looked; it is taken to stand level."
        )
    if not wide.timed and wide.session.clock is None:
        said.append(
            "Nothing in the wide frames tells their clock: azimuths are off by 0.25 degrees for "
            "each minute that it is wrong. Give timing.references, or frames of partial phases."
        )
    return said
