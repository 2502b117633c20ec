"""The phases of all frames together, by the table of ingest and what the config says."""

from __future__ import annotations

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.classify import named_content
from limbward.clock.readings import seconds_from
from limbward.config import Config
from limbward.config.place_and_time import noon
from limbward.config.said import said_of
from limbward.phase.decide import Timed
from limbward.phase.evidence import Evidence
from limbward.phase.session import Phases, Taken, decide_session
from limbward.workspace.columns import floats, texts
from limbward.workspace.ingest_table import pictures_of

Floats = NDArray[np.float64]
Texts = NDArray[np.object_]


def decide_phases(
    config: Config,
    ingest: Table,
    middle_s: Floats | None = None,
    sigma_s: Floats | None = None,
    totality_s: tuple[float, float] | None = None,
) -> Phases:
    """Decide what all frames show, camera by camera.

    Parameters
    ----------
    config : Config
    ingest : Table
        The table of ingest.
    middle_s, sigma_s : ndarray, shape (N,), optional
        Middle of the exposures, seconds from the epoch, and its standard error, once known.
    totality_s : tuple of float, optional
        When the photosphere vanishes and returns.

    Returns
    -------
    Phases
    """
    said = said_of(config.frames, texts(ingest, "file"))
    looks, phase = texts(ingest, "looks_like"), texts(ingest, "phase")
    looks = np.where(looks == "", phase, looks)
    # Calibration frames that the config names were judged when they were decoded.
    judged = (said.phase == "") & (texts(ingest, "stated") != "")
    timed = None
    if middle_s is not None and sigma_s is not None and totality_s is not None:
        timed = Timed(middle_s, sigma_s, totality_s)
    return decide_session(
        _evidence(config, ingest, looks, np.where(judged, looks, said.phase)),
        Taken(
            texts(ingest, "camera"),
            texts(ingest, "serial"),
            floats(ingest, "sequence"),
            pictures_of(ingest),
        ),
        phase,
        said.phase,
        said.key,
        timed,
    )


def _evidence(config: Config, table: Table, looks: Texts, said: Texts) -> Evidence:
    named = [named_content(f) or "" for f in texts(table, "file")]
    light = ("peak", "middle", "limb_peak", "limb_level", "limb_faintest")
    return Evidence(
        looks,
        said,
        np.array(named, dtype=object),
        seconds_from(noon(config), texts(table, "time_camera")),
        *(floats(table, name) for name in ("exposure", "iso", "f_number")),
        *(floats(table, f"light_{name}") for name in light),
    )
