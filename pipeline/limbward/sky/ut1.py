"""UT1 - UTC as astropy's tables have it, kept on disk once they are read.

Astropy reads the text files of the IERS in 1.3 s of processor time, a third of what a short command
takes.
"""

from __future__ import annotations

from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from limbward.sky.kept import keep, kept, place_of

Floats = NDArray[np.float64]


@cache
def ut1_table() -> Floats:
    """Return the instants (MJD of UTC) and UT1 - UTC in seconds, shape (2, N).

    Measured values and, at the end, a year of predicted ones (IERS Bulletins A and B).
    """
    path = _kept_at()
    found = kept(path)
    if found is not None and found.ndim == 2 and len(found) == 2:
        return np.asarray(found, float)
    read = _read()
    keep(read, path)
    return read


def _read() -> Floats:
    # Imported where it is used: it takes 0.2 s.
    from astropy.utils import iers

    # Nothing is downloaded at run time; the tables come with the package astropy-iers-data, and a
    # table older than astropy likes is still the best there is: UT1 drifts by milliseconds a week.
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        table = iers.earth_orientation_table.get()
    return np.array([table["MJD"].value, table["UT1_UTC"].to_value("s")], float)


def ut1_minus_utc_at(mjd: Floats) -> Floats:
    """Return UT1 - UTC in seconds at instants (MJD of UTC) within the table.

    Between two midnights in proportion to time, as the IERS says; a leap second between them is a
    step of one second, which is no part of the change.
    """
    days, value = ut1_table()
    k = np.clip(np.searchsorted(days, mjd, side="right"), 1, days.size - 1)
    change = value[k] - value[k - 1]
    change -= np.round(change)
    return np.asarray(value[k - 1] + (mjd - days[k - 1]) / (days[k] - days[k - 1]) * change)


def _kept_at() -> Path:
    return place_of(f"ut1-{version('astropy-iers-data')}-{version('astropy')}.npy")
