"""Which rows of the table of ingest are pictures, and the day from which their times count."""

from __future__ import annotations

from datetime import datetime, time

import numpy as np
from astropy.table import Table
from numpy.typing import NDArray

from limbward.camera.card import IMAGE_KINDS
from limbward.config import Config
from limbward.workspace.columns import texts


def noon(config: Config) -> datetime:
    """Return an instant on the day of the eclipse; only differences of readings count."""
    return datetime.combine(config.eclipse, time(12))


def pictures_of(table: Table) -> NDArray[np.bool_]:
    """Return which rows are frames that were decoded and are there once.

    A JPEG beside a RAW frame that is used instead was not.
    """
    kind = np.isin(texts(table, "kind"), tuple(IMAGE_KINDS))
    decoded = (texts(table, "phase") != "unreadable") & (texts(table, "looks_like") != "")
    return kind & decoded & (texts(table, "copy_of") == "")
