"""Apparent places of Sun, Moon, planets and bright stars from a site, for wide frames."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import astropy.units as u
import erfa
import numpy as np
from astropy.constants import au
from astropy.time import Time
from numpy.typing import NDArray

from limbward.sky.earth import earth_state, observer_earth_fixed, observer_of_date
from limbward.sky.ephemeris import LIGHT_KM_S, Site, horizontal
from limbward.sky.kernel import body_barycentric, earth_with_velocity
from limbward.sky.magnitudes import planet_magnitude
from limbward.sky.refraction import refraction_arcsec

Floats = NDArray[np.float64]

AU_KM = au.to_value(u.km)
PLANETS = ("Mercury", "Venus", "Mars", "Jupiter", "Saturn")
MAS = np.radians(1.0) / 3600.0e3
HIPPARCOS_EPOCH = 1991.25  # Julian year of the catalogue's positions
TURN_RAD_S = 7.292115e-5  # of the Earth, IERS Conventions (2010), table 1.1


@dataclass(frozen=True)
class Places:
    """Where bodies appear from a site at N instants.

    Attributes
    ----------
    name : list of str
        Of M bodies; stars without a proper name are ``HIP`` and a number.
    kind : list of str
        ``sun``, ``moon``, ``planet`` or ``star``.
    equatorial : ndarray, shape (N, M, 3)
        Unit vectors on the true equator and equinox of date, without refraction.
    altitude, azimuth : ndarray, shape (N, M)
        Degrees, azimuth from north through east, refraction included in the altitude.
    magnitude : ndarray, shape (N, M)
        V of planets, Hp of stars, NaN of Sun and Moon; extinction is not included.
    """

    name: list[str]
    kind: list[str]
    equatorial: Floats
    altitude: Floats
    azimuth: Floats
    magnitude: Floats

    def joined(self, other: Places) -> Places:
        """Return the bodies of both, at the same instants."""
        arrays = ("equatorial", "altitude", "azimuth", "magnitude")
        both = {n: np.concatenate([getattr(self, n), getattr(other, n)], axis=1) for n in arrays}
        return Places(self.name + other.name, self.kind + other.kind, **both)


@dataclass(frozen=True)
class Observer:
    """A site in space at N instants: km and km/s from the Solar System's barycentre, ICRF."""

    tdb: tuple[Floats, Floats]
    tt_years: Floats
    place: Floats
    velocity: Floats
    to_date: Floats
    gast: Floats
    ephemeris: str


def observer(time: Time, site: Site, ephemeris: str = "de421") -> Observer:
    """Return a site's place in space.

    Parameters
    ----------
    time : Time, shape (N,)
    site : Site
    ephemeris : str

    Raises
    ------
    ConfigError
        If the date lies outside the ephemeris.
    """
    time = Time(np.atleast_1d(time))
    tdb = (np.atleast_1d(time.tdb.jd1), np.atleast_1d(time.tdb.jd2))
    earth, velocity = earth_with_velocity(ephemeris, *tdb)
    state = earth_state(time)
    fixed = observer_earth_fixed(
        np.array([site.latitude]), np.array([site.longitude]), np.array([site.height])
    )
    here = observer_of_date(fixed, state.gast)
    swing = TURN_RAD_S * np.stack([-here[:, 1], here[:, 0], np.zeros(len(here))], axis=-1)
    back = np.swapaxes(state.to_date, 1, 2)
    return Observer(
        tdb,
        np.atleast_1d(time.tt.jyear),
        earth + np.einsum("nij,nj->ni", back, here),
        velocity + np.einsum("nij,nj->ni", back, swing),
        state.to_date,
        state.gast,
        ephemeris,
    )


def solar_system(
    time: Time,
    site: Site,
    *,
    ephemeris: str = "de421",
    pressure_hpa: float = 1010.0,
    temperature_c: float = 10.0,
) -> Places:
    """Return apparent Sun, Moon and the planets that the eye sees.

    Parameters
    ----------
    time : Time
        One instant or an array of N.
    site : Site
    ephemeris : str
        ``de421`` or ``de440``.
    pressure_hpa, temperature_c : float
        Of the air, as for `limbward.sky.refraction.refraction_arcsec`.

    Raises
    ------
    ConfigError
        If the date lies outside the ephemeris.

    Notes
    -----
    Light-time, stellar aberration and the observer's place are included; the bending of light at
    the Sun (1.75 arcsec at its limb, 0.2 arcsec at 3 degrees) is not.
    """
    here = observer(time, site, ephemeris)
    names = ["Sun", "Moon", *PLANETS]
    vectors, magnitudes = [], []
    sun_now = body_barycentric(ephemeris, "Sun", *here.tdb)
    for name in names:
        light_days = np.zeros_like(here.tdb[0])
        for _ in range(3):  # converges by v/c = 1e-4 a round
            there = body_barycentric(ephemeris, name, here.tdb[0], here.tdb[1] - light_days)
            vector = there - here.place
            light_days = np.linalg.norm(vector, axis=-1) / LIGHT_KM_S / 86400.0
        vectors.append(vector)
        if name in PLANETS:
            magnitudes.append(planet_magnitude(name, (there - sun_now) / AU_KM, vector / AU_KM))
        else:
            magnitudes.append(np.full(len(vector), np.nan))
    seen = _aberrated(np.stack(vectors, axis=1), here, sun_now)
    kinds = ["sun", "moon", *(["planet"] * len(PLANETS))]
    air = (pressure_hpa, temperature_c)
    return _placed(names, kinds, seen, here, site, np.stack(magnitudes, axis=1), air)


def bright_stars(
    time: Time,
    site: Site,
    *,
    faintest: float = 4.0,
    ephemeris: str = "de421",
    pressure_hpa: float = 1010.0,
    temperature_c: float = 10.0,
) -> Places:
    """Return apparent stars brighter than a magnitude (Hp, at most 5), the brightest first.

    Parameters
    ----------
    time, site, ephemeris, pressure_hpa, temperature_c
        As for `solar_system`.
    faintest : float

    References
    ----------
    F. van Leeuwen, *Hipparcos, the New Reduction of the Raw Data* (2007), CDS catalogue I/311.
    Parallaxes (0.74 arcsec at most) are left out.
    """
    here = observer(time, site, ephemeris)
    hip, ra, dec, pm_ra, pm_dec, magnitude, name = _catalogue()
    count = int(np.searchsorted(magnitude, faintest, side="right"))
    years = here.tt_years[:, None] - HIPPARCOS_EPOCH
    delta = dec[:count] + years * pm_dec[:count] * MAS
    alpha = ra[:count] + years * pm_ra[:count] * MAS / np.cos(dec[:count])
    vector = np.stack(
        [np.cos(delta) * np.cos(alpha), np.cos(delta) * np.sin(alpha), np.sin(delta)], axis=-1
    )
    sun_now = body_barycentric(ephemeris, "Sun", *here.tdb)
    seen = _aberrated(vector, here, sun_now)
    names = [str(n) or f"HIP {h}" for n, h in zip(name[:count], hip[:count], strict=True)]
    mags = np.broadcast_to(magnitude[:count].astype(float), delta.shape).copy()
    air = (pressure_hpa, temperature_c)
    return _placed(names, ["star"] * count, seen, here, site, mags, air)


@cache
def _catalogue() -> tuple[NDArray[Any], ...]:
    with np.load(Path(__file__).parent / "data" / "bright_stars.npz") as file:
        names = ("hip", "ra_rad", "dec_rad", "pm_ra_mas", "pm_dec_mas", "magnitude", "name")
        return tuple(file[name] for name in names)


def _aberrated(vector: Floats, here: Observer, sun: Floats) -> Floats:
    """Return unit vectors (N, M, 3) as the moving observer sees them, on the equator of date."""
    unit = vector / np.linalg.norm(vector, axis=-1, keepdims=True)
    beta = here.velocity / LIGHT_KM_S
    distance = np.linalg.norm(sun - here.place, axis=-1) / AU_KM
    lorentz = np.sqrt(1.0 - np.sum(beta**2, axis=-1))
    seen = erfa.ab(unit, beta[:, None, :], distance[:, None], lorentz[:, None])
    return np.einsum("nij,nmj->nmi", here.to_date, seen)


def _placed(
    names: list[str],
    kinds: list[str],
    seen: Floats,
    here: Observer,
    site: Site,
    magnitude: Floats,
    air: tuple[float, float],
) -> Places:
    altitude, azimuth, _ = horizontal(
        seen, here.gast[:, None], np.array(site.latitude), np.array(site.longitude)
    )
    lifted = altitude + refraction_arcsec(altitude, *air) / 3600.0
    return Places(names, kinds, seen, lifted, azimuth, magnitude)
