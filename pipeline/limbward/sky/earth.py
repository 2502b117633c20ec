"""Where an observer stands: Earth's rotation, its axis, and the WGS84 figure."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import erfa
import numpy as np
from astropy.time import Time
from numpy.typing import NDArray

from limbward.sky.leap_seconds import take_leap_seconds
from limbward.sky.ut1 import ut1_minus_utc_at, ut1_table

# ERFA calls years before 1960 and from five years after its release on dubious, once a call: leap
# seconds are not known there. One warning that says what it amounts to is below. A filter that the
# caller has set goes before this one.
warnings.filterwarnings(
    "ignore", r"ERFA function .* yielded .*dubious year", erfa.ErfaWarning, append=True
)

take_leap_seconds()

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class EarthState:
    """Orientation of the Earth at N instants.

    Attributes
    ----------
    delta_t_s : ndarray, shape (N,)
        TT minus UT1.
    gast : ndarray, shape (N,)
        Greenwich apparent sidereal time, radians.
    to_date : ndarray, shape (N, 3, 3)
        Rotation from ICRF axes to the true equator and equinox of date (IAU 2006/2000A).
    """

    delta_t_s: Floats
    gast: Floats
    to_date: Floats


def ut1_minus_utc(time: Time) -> Floats:
    """Return UT1 - UTC in seconds; past the table's ends, its first or last value and a warning.

    Parameters
    ----------
    time : Time
        N instants.

    Notes
    -----
    UT1 - UTC is held within 0.9 s by leap seconds, so near the table's ends its first or last value
    is wrong by at most 1.8 s, which moves the shadow by 0.8 km at the equator. Where leap seconds
    are not known, UTC is taken to keep its last distance from TT (32.2 s before 1960, 69.2 s after
    2017), and the error is that of delta T: 2 s in 1950, 34 s in 1900 and, as Espenak and Meeus
    (NASA/TP-2006-214141, section 2.7) extrapolate it, 24 s in 2050.
    """
    mjd = np.atleast_1d(np.asarray(time.utc.mjd, dtype=float))
    table_mjd = ut1_table()[0]
    inside = np.clip(mjd, table_mjd[0] + 1e-6, table_mjd[-1] - 1e-6)
    if np.any(inside != mjd):
        years = Time(table_mjd[[0, -1]], format="mjd").decimalyear
        warnings.warn(
            f"The Earth's rotation (UT1) is tabulated from {years[0]:.1f} to {years[1]:.1f}; "
            "outside that the nearest value is used. Contact times may be off by a second or two "
            "in the years next to it, twenty seconds by 2050, half a minute around 1900 and "
            "minutes in other centuries.",
            stacklevel=3,
        )
    return ut1_minus_utc_at(inside)


def earth_state(time: Time) -> EarthState:
    """Return Earth's orientation at N instants.

    Parameters
    ----------
    time : Time
        N instants in any scale.

    Returns
    -------
    EarthState

    References
    ----------
    IERS Conventions (2010), chapter 5, as coded in ERFA. Polar motion (0.3 arcsec, 10 m on the
    ground, under 0.02 s in a contact) is left out.
    """
    utc, tt = time.utc, time.tt
    tt1, tt2 = np.atleast_1d(tt.jd1), np.atleast_1d(tt.jd2)
    dut1 = ut1_minus_utc(time)
    ut11, ut12 = erfa.utcut1(np.atleast_1d(utc.jd1), np.atleast_1d(utc.jd2), dut1)
    to_date = erfa.pnm06a(tt1, tt2)
    gast = erfa.gst06(ut11, ut12, tt1, tt2, to_date)
    delta_t_s = ((tt1 - ut11) + (tt2 - ut12)) * 86400.0
    return EarthState(delta_t_s=delta_t_s, gast=gast, to_date=to_date)


def observer_earth_fixed(latitude: Floats, longitude: Floats, height: Floats) -> Floats:
    """Return the observer in Earth-fixed axes.

    Parameters
    ----------
    latitude, longitude : ndarray, shape (S,)
        WGS84, degrees north and east.
    height : ndarray, shape (S,)
        Metres above the ellipsoid.

    Returns
    -------
    ndarray, shape (S, 3)
        Kilometres.
    """
    return (
        np.asarray(
            erfa.gd2gc(1, np.radians(longitude), np.radians(latitude), np.asarray(height, float))
        )
        / 1000.0
    )


def observer_of_date(earth_fixed: Floats, gast: Floats) -> Floats:
    """Turn Earth-fixed vectors to the true equator and equinox of date.

    Parameters
    ----------
    earth_fixed : ndarray, shape (..., 3)
        Kilometres.
    gast : ndarray, broadcastable to the leading shape
        Greenwich apparent sidereal time, radians.
    """
    c, s = np.cos(gast), np.sin(gast)
    x, y, z = earth_fixed[..., 0], earth_fixed[..., 1], earth_fixed[..., 2]
    return np.stack(np.broadcast_arrays(c * x - s * y, s * x + c * y, z + 0.0 * c), axis=-1)
