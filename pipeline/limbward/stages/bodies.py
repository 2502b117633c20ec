"""Which body took which frame, as the config says or the frames show."""

from __future__ import annotations

import numpy as np
from astropy.table import Table

from limbward.camera.bodies import Shots, split_bodies
from limbward.clock.readings import seconds_from
from limbward.config import Config, matches
from limbward.stages.pictures import noon, pictures_of
from limbward.workspace.columns import floats, masked_texts, texts

SAME_FOCAL = 0.02  # a focal length as in the frames, rounded or not


def name_bodies(config: Config, table: Table) -> list[str]:
    """Tell apart the bodies in the table of ingest, in place; return what is to be said of it."""
    camera, serial, file = (texts(table, n) for n in ("camera", "serial", "file"))
    focal = floats(table, "focal_length")
    taken = np.zeros(len(table), bool)
    said = []
    for i, body in enumerate(config.bodies):
        mine = ~taken
        if body.files:
            mine &= np.array([any(matches(f, p) for p in body.files) for f in file], bool)
        if body.camera is not None:
            wanted = body.camera.lower()
            mine &= np.array(
                [wanted in (c.lower(), s.lower()) for c, s in zip(camera, serial, strict=True)],
                bool,
            )
        if body.focal_length_mm is not None:
            mine &= np.abs(focal / body.focal_length_mm - 1.0) < SAME_FOCAL
        if not mine.any():
            said.append(
                f"{config.where('bodies', i)}: no frame fits {body.name!r}; see camera, serial and "
                "focal_length in frames.ecsv."
            )
        camera[mine] = body.name
        taken |= mine
    measured = np.where(
        np.isfinite(floats(table, "measured_sun_radius")),
        floats(table, "measured_sun_radius"),
        floats(table, "measured_moon_radius"),
    )
    rest = np.flatnonzero(~taken & pictures_of(table) & (camera != ""))
    rest = rest[np.argsort(floats(table, "sequence")[rest], kind="stable")]
    reading = seconds_from(noon(config), texts(table, "time_camera"))
    shots = Shots(
        file[rest], camera[rest], serial[rest], focal[rest], reading[rest], measured[rest]
    )
    camera[rest], split = split_bodies(shots)
    table["camera"] = masked_texts(camera)
    return said + split
