"""What the frames show and how they were taken, by the table of ingest, for their phases."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.classify import named_content
from limbward.clock.order import order_of_taking
from limbward.clock.readings import seconds_from
from limbward.phase.evidence import Evidence
from limbward.phase.session import Taken
from limbward.workspace.columns import flags, floats, texts
from limbward.workspace.ingest_table import pictures_of

LIGHT = ("peak", "middle", "limb_peak", "limb_level", "limb_faintest")


def taken_of(ingest: Table, noon: datetime) -> Taken:
    """Return by which body and in what order the frames were taken.

    Parameters
    ----------
    ingest : Table
    noon : datetime
        As of `evidence_of`.
    """
    body = texts(ingest, "camera"), texts(ingest, "serial")
    reading_s = seconds_from(noon, texts(ingest, "time_camera"))
    order = order_of_taking(texts(ingest, "file"), *body, floats(ingest, "sequence"), reading_s)
    return Taken(*body, order, pictures_of(ingest) & ~flags(ingest, "wide"))


def evidence_of(ingest: Table, said: NDArray[np.object_], noon: datetime) -> Evidence:
    """Return what tells the phases of the frames.

    Parameters
    ----------
    ingest : Table
    said : ndarray of str, shape (N,)
        Phases that the config gives; empty where it does not.
    noon : datetime
        An instant of the day, from which clocks' readings are counted.
    """
    looks, phase = texts(ingest, "looks_like"), texts(ingest, "phase")
    looks = np.where(looks == "", phase, looks)
    # Calibration frames that the config names were judged when they were decoded.
    judged = (said == "") & (texts(ingest, "stated") != "")
    named = [named_content(f) or "" for f in texts(ingest, "file")]
    exposure, iso, f_number = (floats(ingest, name) for name in ("exposure", "iso", "f_number"))
    return Evidence(
        looks,
        np.where(judged, looks, said),
        np.array(named, dtype=object),
        seconds_from(noon, texts(ingest, "time_camera")),
        exposure,
        iso,
        f_number,
        **{name: floats(ingest, f"light_{name}") for name in LIGHT},
        small=flags(ingest, "core_small"),
    )
