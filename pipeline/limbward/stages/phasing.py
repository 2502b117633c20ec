"""The phases of all frames together, by the table of ingest and what the config says."""

from __future__ import annotations

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.config import Config
from limbward.config.place_and_time import noon
from limbward.config.said import said_of
from limbward.phase.decide import Timed
from limbward.phase.session import Phases, decide_session
from limbward.workspace.columns import texts
from limbward.workspace.shown import evidence_of, taken_of

Floats = NDArray[np.float64]


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
    timed = None
    if middle_s is not None and sigma_s is not None and totality_s is not None:
        timed = Timed(middle_s, sigma_s, totality_s)
    return decide_session(
        evidence_of(ingest, said.phase, noon(config)),
        taken_of(ingest, noon(config)),
        texts(ingest, "phase"),
        said.phase,
        said.key,
        timed,
    )
