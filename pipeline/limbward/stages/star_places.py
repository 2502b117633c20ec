"""Stars in the frames of totality: a part of the stage align."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.config import Config, place_and_time
from limbward.geometry.pointing import Pointing
from limbward.limb.place import Placing
from limbward.sky.beside_sun import beside_sun
from limbward.stars.match import Prior
from limbward.stars.session import StarField, find_stars
from limbward.stars.tracks import Frames
from limbward.workspace import Workspace
from limbward.workspace.columns import floats, texts
from limbward.workspace.measured import points_of_rows
from limbward.workspace.stars import BodyStars

COARSEST_ARCSEC = 60.0  # a pixel: what is coarser is a landscape, which has its own command
WIDEST_DEG = 8.0  # of the Sun; the catalogue's faint stars end at 6
LATEST_S = 120.0  # a clock known worse than this leaves stars five arcseconds off
BESIDE_ARCSEC = 30.0  # by which the Sun is off at most, besides what a wrong orientation does


@dataclass(frozen=True)
class Found:
    """A body's rows of totality, how it stood as far as is known, and whether that is measured."""

    rows: NDArray[np.int64]
    pointing: Pointing | None
    sure: bool


def look_for_stars(
    config: Config, workspace: Workspace, ingest: Table, placing: Placing, found: Found
) -> BodyStars | None:
    """Return what the stars in a body's frames tell; None if no frame can be searched.

    Parameters
    ----------
    config : Config
    workspace : Workspace
    ingest : Table
    placing : Placing
        With the body's frames placed.
    found : Found
    """
    points = points_of_rows(workspace, ingest)
    known = np.isfinite(placing.place["sun_x"]) & np.isfinite(placing.relative)
    known &= placing.seen.time_sigma_s < LATEST_S
    rows = [int(r) for r in found.rows if known[r] and placing.seen.phase[r] == "totality"]
    lists = {r: p for r in rows if (p := points(r)) is not None}
    rows = _of_one_size(ingest, [r for r in rows if r in lists])
    if not rows:
        return None
    body = str(texts(ingest, "camera")[rows[0]]), str(texts(ingest, "serial")[rows[0]])
    frames = _frames(ingest, placing, found, rows, [lists[r] for r in rows])
    prior = _prior(placing, found, rows)
    rotation = 0.0 if found.pointing is None else found.pointing.rotation_deg_per_hour
    field: StarField | None = None
    if prior.scale_arcsec < COARSEST_ARCSEC:
        reach = float(np.hypot(frames.width, frames.height)) * prior.scale_arcsec / 3600.0
        sky = beside_sun(
            placing.track.epoch,
            place_and_time.site(config),
            place_and_time.air(config),
            min(reach, WIDEST_DEG),
            ephemeris=config.sky.ephemeris,
        )
        field = find_stars(frames, sky, prior)
    return BodyStars(*body, len(rows), rotation, field, field is not None and not found.sure)


def _of_one_size(ingest: Table, rows: list[int]) -> list[int]:
    """Return the rows whose frames have the commonest size."""
    sizes = list(zip(floats(ingest, "width")[rows], floats(ingest, "height")[rows], strict=True))
    usual = max(sizes, key=sizes.count, default=None)
    return [r for r, size in zip(rows, sizes, strict=True) if size == usual]


def _frames(
    ingest: Table,
    placing: Placing,
    found: Found,
    rows: list[int],
    points: list[NDArray[np.float64]],
) -> Frames:
    def complexes(name: str) -> NDArray[np.complex128]:
        return np.asarray(placing.place[f"{name}_x"] + 1j * placing.place[f"{name}_y"])[rows]

    # Position angles grow from x towards y in a mirrored picture, the other way otherwise.
    mirrored = found.pointing is not None and found.pointing.orientation.mirrored
    turn = np.radians(np.nan_to_num(placing.turn_deg[rows])) * (-1.0 if mirrored else 1.0)
    stop = floats(ingest, "f_number")[rows]
    sun = complexes("sun")
    moon = complexes("moon")
    radius = placing.place["moon_radius"][rows]
    return Frames(
        points=points,
        sun=sun,
        moon=np.where(np.isfinite(moon), moon, sun),
        moon_radius=np.where(np.isfinite(radius), radius, placing.place["sun_radius"][rows]),
        turn=turn,
        time_s=placing.seen.middle_s[rows],
        light_s=placing.seen.exposure_s[rows] / np.where(stop > 0, stop, 1.0) ** 2,
        width=int(floats(ingest, "width")[rows[0]]),
        height=int(floats(ingest, "height")[rows[0]]),
    )


def _prior(placing: Placing, found: Found, rows: list[int]) -> Prior:
    """Return what is known of the camera before stars are looked for."""
    t = placing.seen.middle_s[rows]
    if found.pointing is None:
        sun = placing.track.sun_radius_arcsec(np.zeros(1))[0]
        scale = float(sun / np.median(placing.place["sun_radius"][rows]))
    else:
        scale = found.pointing.orientation.pixel_scale_arcsec
    if found.pointing is not None and found.sure:
        return Prior(
            scale,
            found.pointing.orientation.up_position_angle,
            found.pointing.up_sigma_deg,
            found.pointing.orientation.mirrored,
            1.0 + 3.0 * float(np.median(placing.sun_sigma[rows])),
        )
    # The Sun's place follows from the Moon's, on whichever side of it the orientation puts it.
    aside = 2.0 * float(np.hypot(*placing.track.offset_arcsec(t).T).max())
    return Prior(scale, None, 180.0, None, (aside + BESIDE_ARCSEC) / scale)
