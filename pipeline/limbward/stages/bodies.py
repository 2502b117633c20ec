"""Which body took which frame, as the config says or the frames show."""

from __future__ import annotations

import numpy as np
from astropy.table import Table

from limbward.camera.bodies import Shots, split_bodies
from limbward.clock.readings import seconds_from
from limbward.config import Config
from limbward.config.bodies import named_bodies
from limbward.config.place_and_time import noon
from limbward.workspace.columns import floats, masked_texts, texts
from limbward.workspace.ingest_table import pictures_of


def name_bodies(config: Config, table: Table) -> list[str]:
    """Tell apart the bodies in the table of ingest, in place; return what is to be said of it."""
    camera, serial, file = (texts(table, n) for n in ("camera", "serial", "file"))
    focal = floats(table, "focal_length")
    named, bands, said = named_bodies(config, file, camera, serial, focal)
    camera = np.where(named != "", named, camera)
    sun, moon = (floats(table, f"measured_{disc}_radius") for disc in ("sun", "moon"))
    measured = np.where(np.isfinite(sun), sun, moon)
    rest = np.flatnonzero((named == "") & pictures_of(table) & (camera != ""))
    rest = rest[np.argsort(floats(table, "sequence")[rest], kind="stable")]
    reading = seconds_from(noon(config), texts(table, "time_camera"))
    shots = Shots(
        file[rest], camera[rest], serial[rest], focal[rest], reading[rest], measured[rest]
    )
    camera[rest], split = split_bodies(shots)
    table["camera"] = masked_texts(camera)
    table["band"] = masked_texts(np.where(bands != "", bands, texts(table, "band")))
    return said + split
