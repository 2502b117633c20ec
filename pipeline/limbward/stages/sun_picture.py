"""The Sun at greatest eclipse where it is not total: a part of the stage merge."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.config import Config, place_and_time
from limbward.config.pointing import pointing_in_force
from limbward.geometry.pointing import Pointing
from limbward.radiance.disc import SunPicture, make_sun, white_of, write_sun
from limbward.radiance.disc_choice import DiscFrames, choose_filtered, filtered
from limbward.radiance.field import Field, field_of
from limbward.radiance.selection import Files, Frames
from limbward.sky.aside import turned_aside
from limbward.work.decoding import Decoder
from limbward.work.reporting import Reporter
from limbward.workspace import Workspace
from limbward.workspace.columns import flags, floats
from limbward.workspace.stored import planes_of_rows, read_pointings, read_stage_table
from limbward.workspace.timing_table import rolls_of

Floats = NDArray[np.float64]

# Solar radii from the centre of the picture to its sides: 1.3 remain however it is turned.
EXTENT = 1.85


def filtered_to_stack(
    config: Config, files: Files, ingest: Table, note: NDArray[np.object_]
) -> tuple[Frames, DiscFrames] | None:
    """Return the frames to be stacked; None if no filtered frame shows the Moon before the Sun.

    Raises
    ------
    ConfigError
        If ``merge.camera`` names no camera of the dump.
    """
    seen = filtered(files, flags(ingest, "limb_saturated"))
    # One camera's frames are stacked: of several that are named, the first.
    several = config.merge.cameras
    wanted = several[0] if several else config.merge.camera
    where = config.where("merge", "cameras" if several else "camera")
    return choose_filtered(files, seen, floats(ingest, "limb_width"), wanted, where, note)


def stack_filtered(
    config: Config,
    workspace: Workspace,
    reporter: Reporter,
    files: Files,
    frames: Frames,
    found: DiscFrames,
    tables: tuple[Table, Table],
    decoder: Decoder,
) -> dict[int, tuple[float, str]]:
    """Stack the chosen frames and write sun.fits.

    Parameters
    ----------
    config, workspace, reporter
    files, frames, found
        From `filtered_to_stack`.
    tables : tuple of Table
        Of ingest and align.
    decoder : Decoder

    Returns
    -------
    dict of int to (float, str)
        By rows: a frame's light against the reference's, NaN and why if it is not in the picture.
    """
    ingest, align = tables
    body = frames.camera, frames.serial
    pointing = pointing_in_force(config, read_pointings(workspace), body)
    field = _field(config, frames, pointing, floats(align, "limb_sigma")[frames.row])
    rolls = rolls_of(read_stage_table(workspace, "timing"))[frames.row]
    frames = replace(frames, rotation_deg=_turned(config, pointing, frames) + rolls)
    ahead = partial(decoder.ahead, frames.path, pixels=frames.width * frames.height)
    with reporter.progress(len(frames.row), "stacking the Sun's disc") as advance:
        made: SunPicture = make_sun(
            files,
            frames,
            field,
            int(np.flatnonzero(frames.row == found.reference)[0]),
            floats(ingest, "limb_width")[frames.row],
            _white(workspace, files, frames, found, ingest),
            decoder.read,
            ahead,
            solar_radius_km=config.sky.solar_radius_km,
            warn=reporter.warn,
            progress=advance,
        )
    made.header["RING"] = (found.ring, "whether the frames show a ring; else a crescent")
    with workspace.writing(Workspace.sun) as part:
        write_sun(part, made)
    told = {int(frames.row[k]): (value, "") for k, value in made.stack.relative.items()}
    told.update({int(frames.row[k]): (np.nan, why) for k, why in made.stack.failed.items()})
    return told


def _field(
    config: Config, frames: Frames, pointing: Pointing | None, sun_sigma_px: Floats
) -> Field:
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    radius = float(np.median([disc.radius for disc in frames.sun]))
    known = sun_sigma_px[np.isfinite(sun_sigma_px)]
    return field_of(
        frames,
        pointing,
        epoch,
        place_and_time.view_at(config, epoch),
        place_and_time.air(config),
        side=config.merge.size or 2 * round(EXTENT * radius),
        sun_sigma_px=float(np.median(known)) if known.size else 0.0,
    )


def _turned(config: Config, pointing: Pointing | None, frames: Frames) -> Floats:
    """Return how far the field has turned since greatest eclipse in each frame, degrees."""
    middle = np.nan_to_num(frames.start_s + 0.5 * frames.exposure_s)
    if pointing is None or not pointing.rotation_deg_per_hour:
        return np.zeros(middle.size)
    epoch = place_and_time.greatest(place_and_time.eclipse(config))
    turning = place_and_time.track(config, epoch).leaning(*pointing.lean_deg)
    x = np.array([disc.x for disc in frames.sun]) - (frames.width - 1.0) / 2.0
    y = np.array([disc.y for disc in frames.sun]) - (frames.height - 1.0) / 2.0
    aside = turned_aside(pointing.orientation, turning, middle, x, y)
    return np.asarray(turning.turned(middle) + np.nan_to_num(aside))


def _white(
    workspace: Workspace, files: Files, frames: Frames, found: DiscFrames, ingest: Table
) -> Floats | None:
    """Return what makes the Sun's centre neutral, by the frames that show it next to the ring."""
    own = (files.camera == frames.camera) & (files.serial == frames.serial)
    seen = filtered(files, flags(ingest, "limb_saturated"))
    whole = floats(ingest, "saturated_fraction") == 0.0
    rows = np.flatnonzero(seen & own & files.reduced & whole)
    return white_of(files, rows, found.reference, planes_of_rows(workspace, ingest))
