"""Apparent places of Sun, Moon, planets and stars from a site."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path

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
    stars = _catalogue("bright_stars")
    return _stars_seen(
        stars.only(stars.magnitude <= faintest), here, site, pressure_hpa, temperature_c
    )


def stars_near(
    time: Time,
    site: Site,
    direction: Floats,
    within_deg: float,
    *,
    ephemeris: str = "de421",
    pressure_hpa: float = 1010.0,
    temperature_c: float = 10.0,
) -> Places:
    """Return apparent stars around a place near the ecliptic, the brightest first.

    Parameters
    ----------
    time, site, ephemeris, pressure_hpa, temperature_c
        As for `solar_system`.
    direction : ndarray, shape (3,)
        On the true equator of date.
    within_deg : float
        Of that direction, to half a degree.

    Notes
    -----
    Down to Hp 9.5 within 6 degrees of the ecliptic, down to 5 elsewhere. The catalogue is complete
    to about 7.3. The bending of light at the Sun is included, which moves a star by 0.4 arcsec at
    four solar radii. Parallaxes are not, nor the orbits of double stars: places are good to some
    hundredths of an arcsecond, of doubles to one.
    """
    here = observer(time, site, ephemeris)
    # Precession since 2000 and aberration move a star by half a degree in this century.
    there = here.to_date[0].T @ direction
    near = np.cos(np.radians(within_deg + 0.5))
    found = []
    for name in ("bright_stars", "ecliptic_stars"):
        stars = _catalogue(name)
        found.append(stars.only(stars.direction @ there > near))
    both = found[0].joined(found[1])
    return _stars_seen(both, here, site, pressure_hpa, temperature_c, bent=True)


@dataclass(frozen=True)
class _Stars:
    """Rows of the catalogue: radians, mas a year, Hp."""

    hip: NDArray[np.int32]
    ra: Floats
    dec: Floats
    pm_ra: NDArray[np.float32]
    pm_dec: NDArray[np.float32]
    magnitude: NDArray[np.float32]
    name: NDArray[np.str_]

    @property
    def direction(self) -> Floats:
        """Unit vectors at the catalogue's epoch, shape (M, 3)."""
        return _unit(self.ra, self.dec)

    def only(self, chosen: NDArray[np.bool_]) -> _Stars:
        return _Stars(*(getattr(self, f.name)[chosen] for f in fields(self)))

    def joined(self, other: _Stars) -> _Stars:
        return _Stars(
            *(np.concatenate([getattr(a, f.name) for a in (self, other)]) for f in fields(self))
        )


def _unit(ra: Floats, dec: Floats) -> Floats:
    return np.stack([np.cos(dec) * np.cos(ra), np.cos(dec) * np.sin(ra), np.sin(dec)], axis=-1)


def _stars_seen(
    stars: _Stars,
    here: Observer,
    site: Site,
    pressure_hpa: float,
    temperature_c: float,
    *,
    bent: bool = False,
) -> Places:
    years = here.tt_years[:, None] - HIPPARCOS_EPOCH
    vector = _unit(
        stars.ra + years * stars.pm_ra * MAS / np.cos(stars.dec),
        stars.dec + years * stars.pm_dec * MAS,
    )
    sun_now = body_barycentric(here.ephemeris, "Sun", *here.tdb)
    if bent:
        way = here.place - sun_now
        far = np.linalg.norm(way, axis=-1)
        unit = way / far[:, None]
        vector = erfa.ldsun(vector, unit[:, None, :], (far / AU_KM)[:, None])
    seen = _aberrated(vector, here, sun_now)
    names = [str(n) or f"HIP {h}" for n, h in zip(stars.name, stars.hip, strict=True)]
    mags = np.broadcast_to(stars.magnitude.astype(float), vector.shape[:2]).copy()
    air = (pressure_hpa, temperature_c)
    return _placed(names, ["star"] * len(names), seen, here, site, mags, air)


@cache
def _catalogue(which: str) -> _Stars:
    with np.load(Path(__file__).parent / "data" / f"{which}.npz") as file:
        names = ("hip", "ra_rad", "dec_rad", "pm_ra_mas", "pm_dec_mas", "magnitude")
        proper = file["name"] if "name" in file else np.full(file["hip"].shape, "")
        hip, ra, dec, pm_ra, pm_dec, magnitude = (file[name] for name in names)
        return _Stars(hip, ra, dec, pm_ra, pm_dec, magnitude, proper)


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
