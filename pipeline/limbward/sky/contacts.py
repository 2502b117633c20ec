"""Contacts of a solar eclipse, solved for at any number of places at once.

Contacts are found directly, as the instants at which the discs touch on the observer's sky, with
topocentric positions from the ephemeris. All sites of a call are solved together: what depends on
time only is evaluated once, on Chebyshev nodes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.sky.circumstances import CONTACTS, SUNRISE_ALTITUDE, Circumstances, Contact
from limbward.sky.earth import earth_state, observer_earth_fixed
from limbward.sky.ephemeris import (
    ARCSEC,
    EARTH_EQUATORIAL_RADIUS_KM,
    Geocentric,
    Radii,
    Site,
    geocentric,
    horizontal,
    tangent_offset,
    topocentric,
)

Floats = NDArray[np.float64]

HALF_SPAN_S = 5.5 * 3600.0  # a partial eclipse seen from one place lasts under 4 h
NODES = 40  # Chebyshev nodes over the span: the fit is good to 1 m, under 1 ms in a contact


class _Track:
    """Geocentric Sun and Moon near an eclipse, as Chebyshev series in seconds from ``epoch``."""

    def __init__(self, epoch: Time, ephemeris: str) -> None:
        self.epoch = epoch
        nodes = chebyshev.chebpts1(NODES)
        geo = geocentric(epoch + TimeDelta(nodes * HALF_SPAN_S, format="sec"), ephemeris)
        columns = np.concatenate(
            [geo.sun, geo.moon, geo.moon_velocity, np.unwrap(geo.gast)[:, None]], axis=1
        )
        self._series = chebyshev.chebfit(nodes, columns, 24)

    def at(self, seconds: Floats) -> Geocentric:
        """Return Sun and Moon ``seconds`` (any shape) after the epoch."""
        series = chebyshev.chebval(seconds / HALF_SPAN_S, self._series)
        columns: Floats = np.moveaxis(np.asarray(series, dtype=np.float64), 0, -1)
        return Geocentric(columns[..., 0:3], columns[..., 3:6], columns[..., 6:9], columns[..., 9])


@dataclass(frozen=True)
class _Discs:
    """Discs as seen by the observers; arcsec, one shape for all."""

    sun: Floats
    moon: Floats
    separation: Floats
    sun_radius: Floats
    penumbra_radius: Floats
    umbra_radius: Floats


def _discs(track: _Track, earth_fixed: Floats, seconds: Floats, radii: Radii) -> _Discs:
    """Return the discs for observers (S, 3) at ``seconds`` (S,) or (S, T)."""
    if seconds.ndim > 1:
        earth_fixed = earth_fixed[:, None, :]
    sun, moon = topocentric(track.at(seconds), earth_fixed)
    sun_km, moon_km = np.linalg.norm(sun, axis=-1), np.linalg.norm(moon, axis=-1)
    crossed = np.linalg.norm(np.cross(sun, moon), axis=-1)
    earth = EARTH_EQUATORIAL_RADIUS_KM
    return _Discs(
        sun,
        moon,
        np.arctan2(crossed, np.sum(sun * moon, axis=-1)) * ARCSEC,
        np.arcsin(radii.solar_radius_km / sun_km) * ARCSEC,
        np.arcsin(radii.k_penumbra * earth / moon_km) * ARCSEC,
        np.arcsin(radii.k_umbra * earth / moon_km) * ARCSEC,
    )


def _bisect(f: Callable[[Floats], Floats], low: Floats, high: Floats) -> Floats:
    """Return where ``f`` changes sign between ``low`` and ``high``, element by element."""
    negative_low = f(low) < 0
    for _ in range(36):  # 5.5 h / 2^36 is under a microsecond
        middle = 0.5 * (low + high)
        same = (f(middle) < 0) == negative_low
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    return 0.5 * (low + high)


def _maximum(f: Callable[[Floats], Floats], low: Floats, high: Floats) -> Floats:
    """Return where ``f`` is largest between ``low`` and ``high`` (golden section)."""
    golden = (np.sqrt(5.0) - 1.0) / 2.0
    for _ in range(40):  # 400 s * 0.618^40 is 2 microseconds
        a, b = high - golden * (high - low), low + golden * (high - low)
        left = f(a) > f(b)
        low, high = np.where(left, low, a), np.where(left, b, high)
    return 0.5 * (low + high)


def overlap_fraction(separation: Floats, sun_radius: Floats, moon_radius: Floats) -> Floats:
    """Return the fraction of the Sun's area behind the Moon.

    Parameters
    ----------
    separation, sun_radius, moon_radius : ndarray
        In one unit.

    Notes
    -----
    The area common to two circles: the sum of two circular segments.
    """
    d = np.maximum(separation, 1e-12)
    r, m = sun_radius, moon_radius
    inside = d <= np.abs(m - r)
    cos_sun = np.clip((d**2 + r**2 - m**2) / (2 * d * r), -1, 1)
    cos_moon = np.clip((d**2 + m**2 - r**2) / (2 * d * m), -1, 1)
    kite = (-d + r + m) * (d + r - m) * (d - r + m) * (d + r + m)
    lens = (
        r**2 * np.arccos(cos_sun)
        + m**2 * np.arccos(cos_moon)
        - 0.5 * np.sqrt(np.maximum(kite, 0.0))
    )
    area = np.where(inside, np.pi * np.minimum(r, m) ** 2, lens)
    return np.where(d >= r + m, 0.0, area / (np.pi * r**2))


def _conjunction(date: str, ephemeris: str) -> Time:
    """Return when Sun and Moon, seen from the Earth's centre, are nearest around ``date``."""
    try:
        noon = Time(f"{date}T12:00:00", scale="utc")
    except ValueError as error:
        raise LimbwardError(f"{date!r} is not a date of the form YYYY-MM-DD.") from error
    # A day either way, since a date may be the local one and the eclipse near 0h UTC.
    hours = np.arange(-36.0, 36.01, 0.25)
    geo = geocentric(noon + TimeDelta(hours * 3600.0, format="sec"), ephemeris)
    along = np.sum(geo.sun * geo.moon, axis=-1)
    crossed = np.linalg.norm(np.cross(geo.sun, geo.moon), axis=-1)
    best = int(np.argmin(np.arctan2(crossed, along)))
    return noon + TimeDelta(hours[best] * 3600.0, format="sec")


def _dates(time: Time, longitude: float) -> set[str]:
    """Return what people at a longitude may call the date: UTC's and that of their civil time.

    Civil time is taken within three hours of the mean solar time, which covers all time zones.
    """
    hours = [0.0, *(longitude / 15.0 + h for h in (-3.0, 0.0, 3.0))]
    return {(time + TimeDelta(h * 3600.0, format="sec")).utc.iso[:10] for h in hours}


def local_circumstances_many(
    date: str, sites: Sequence[Site], *, radii: Radii | None = None, ephemeris: str = "de421"
) -> list[Circumstances]:
    """Return the circumstances of the eclipse of ``date`` at each of S sites.

    Parameters
    ----------
    date : str
        YYYY-MM-DD, UTC or local.
    sites : sequence of Site
    radii : Radii, optional
    ephemeris : str
        ``de421`` (default) or ``de440``.

    Returns
    -------
    list of Circumstances
        Of kind ``none`` where the discs do not touch on that date.

    Raises
    ------
    LimbwardError
        If the date cannot be read or lies outside the ephemeris.

    References
    ----------
    *Explanatory Supplement to the Astronomical Almanac* (3rd ed., 2013), chapter 11, for the
    definitions of magnitude, obscuration and the angles P and V.
    """
    radii = radii or Radii()
    track = _Track(_conjunction(date, ephemeris), ephemeris)
    latitude = np.array([s.latitude for s in sites], float)
    longitude = np.array([s.longitude for s in sites], float)
    height = np.array([s.height for s in sites], float)
    ground = observer_earth_fixed(latitude, longitude, height)

    def discs(t: Floats) -> _Discs:
        return _discs(track, ground, t, radii)

    def depth(t: Floats) -> Floats:
        d = discs(t)
        return (d.sun_radius + d.penumbra_radius - d.separation) / (2 * d.sun_radius)

    def total_gap(t: Floats) -> Floats:
        d = discs(t)
        return d.separation - np.abs(d.umbra_radius - d.sun_radius)

    start = _near_greatest(depth, track, ground, latitude, longitude)
    greatest = _maximum(depth, start - 200.0, start + 200.0)
    at = {"greatest": greatest}
    magnitude = depth(greatest)
    edge = 2.5 * 3600.0
    at["C1"] = _bisect(depth, greatest - edge, greatest)
    at["C4"] = _bisect(depth, greatest, greatest + edge)
    at["C2"] = _bisect(total_gap, at["C1"], greatest)
    at["C3"] = _bisect(total_gap, greatest, at["C4"])
    middle = discs(greatest)
    times = {name: track.epoch + TimeDelta(at[name], format="sec") for name in CONTACTS}
    found = _Found(
        times=times,
        angles={name: _angles(track, ground, at[name], latitude, longitude) for name in CONTACTS},
        partial=magnitude > 0,
        central=(magnitude > 0) & (total_gap(greatest) < 0),
        total=middle.umbra_radius > middle.sun_radius,
        magnitude=magnitude,
        covered=overlap_fraction(middle.separation, middle.sun_radius, middle.penumbra_radius),
        ratio=middle.penumbra_radius / middle.sun_radius,
        central_s=at["C3"] - at["C2"],
        delta_t_s=earth_state(times["greatest"]).delta_t_s,
    )
    results = []
    for i, site in enumerate(sites):
        result = found.at(i, date, site)
        if result.kind != "none":
            events = _sun_events(track, ground[i], at["C1"][i], at["C4"][i], site)
            result = replace(result, sun_events=events)
        results.append(result)
    return results


@dataclass(frozen=True)
class _Found:
    """Contacts and sizes at S sites, before it is asked what of it is an eclipse there."""

    times: dict[str, Time]
    angles: dict[str, tuple[Floats, Floats, Floats, Floats]]
    partial: NDArray[np.bool_]
    central: NDArray[np.bool_]
    total: NDArray[np.bool_]
    magnitude: Floats
    covered: Floats
    ratio: Floats
    central_s: Floats
    delta_t_s: Floats

    def at(self, i: int, date: str, site: Site) -> Circumstances:
        """Return the circumstances at one site, without the Sun's rising and setting."""
        partial, central, total = bool(self.partial[i]), bool(self.central[i]), bool(self.total[i])
        other_date = None
        greatest = self.times["greatest"][i]
        if partial and date not in _dates(greatest, site.longitude):
            partial, central, other_date = False, False, greatest.utc.iso[:10]
        names = CONTACTS if central else ("C1", "greatest", "C4") if partial else ()
        contacts = {}
        for name in names:
            altitude, azimuth, angle, vertex = (float(a[i]) for a in self.angles[name])
            if name in ("C2", "C3") and total:
                # The last and first light of the photosphere is opposite to the Moon's centre.
                angle, vertex = (angle + 180.0) % 360.0, (vertex + 180.0) % 360.0
            contacts[name] = Contact(self.times[name][i], altitude, azimuth, angle, vertex)
        kind = "none" if not partial else "partial"
        if central:
            kind = "total" if total else "annular"
        return Circumstances(
            date=date,
            site=site,
            kind=kind,
            magnitude=float(max(self.magnitude[i], 0.0)) if partial else 0.0,
            obscuration=1.0 if kind == "total" else float(self.covered[i]) * partial,
            moon_sun_ratio=float(self.ratio[i]),
            duration_s=float(self.central_s[i]) if central else None,
            delta_t_s=float(self.delta_t_s[i]),
            contacts=contacts,
            sun_events={},
            other_date=other_date,
        )


def _near_greatest(
    depth: Callable[[Floats], Floats],
    track: _Track,
    ground: Floats,
    latitude: Floats,
    longitude: Floats,
) -> Floats:
    """Return within 200 s when the eclipse is deepest at each site."""
    # From some places the Sun and Moon are nearest twice within the span (the Moon's parallax
    # swings back after sunset); a coarse grid finds the deeper one.
    grid = np.arange(-HALF_SPAN_S, HALF_SPAN_S + 1, 180.0)
    depths = depth(np.broadcast_to(grid, (latitude.size, grid.size)))
    # An eclipse below the horizon matters less than a shallower one above it.
    altitude_grid = _horizontal(
        track, ground, np.broadcast_to(grid, depths.shape), latitude, longitude
    )[0]
    hidden = altitude_grid < SUNRISE_ALTITUDE - 20.0
    return np.asarray(
        grid[np.argmax(np.where(hidden & (depths > 0), depths * 1e-3, depths), axis=1)]
    )


def local_circumstances(
    date: str, site: Site, *, radii: Radii | None = None, ephemeris: str = "de421"
) -> Circumstances:
    """Return the circumstances of the eclipse of ``date`` at one site.

    See `local_circumstances_many` for the parameters and the method.

    Examples
    --------
    >>> from limbward.sky.contacts import local_circumstances
    >>> from limbward.sky.ephemeris import Site
    >>> local_circumstances("2026-08-12", Site(65.0, -25.0)).kind
    'total'
    """
    return local_circumstances_many(date, [site], radii=radii, ephemeris=ephemeris)[0]


def _horizontal(
    track: _Track, ground: Floats, seconds: Floats, latitude: Floats, longitude: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return altitude, azimuth and parallactic angle of the Sun, degrees."""
    geo = track.at(seconds)
    if seconds.ndim > 1:
        ground, latitude, longitude = ground[:, None, :], latitude[:, None], longitude[:, None]
    sun, _ = topocentric(geo, ground)
    return horizontal(sun, geo.gast, latitude, longitude)


def _angles(
    track: _Track, ground: Floats, seconds: Floats, latitude: Floats, longitude: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return the Sun's altitude and azimuth, and the Moon's centre's P and V, degrees."""
    sun, moon = topocentric(track.at(seconds), ground)
    east, north = tangent_offset(sun, moon)
    altitude, azimuth, parallactic = _horizontal(track, ground, seconds, latitude, longitude)
    angle = np.degrees(np.arctan2(east, north))
    return altitude, azimuth, angle % 360.0, (angle - parallactic) % 360.0


def _sun_events(
    track: _Track, ground: Floats, first: float, last: float, site: Site
) -> dict[str, Time]:
    """Return sunrise or sunset between two instants."""

    def altitude(t: Floats) -> Floats:
        lat, lon = np.full_like(t, site.latitude), np.full_like(t, site.longitude)
        where = np.broadcast_to(ground, (*t.shape, 3))
        return _horizontal(track, where, t, lat, lon)[0] - SUNRISE_ALTITUDE

    grid = np.linspace(first, last, 49)  # a few minutes apart
    high = altitude(grid) > 0
    events = {}
    for name, here in (("sunrise", ~high[:-1] & high[1:]), ("sunset", high[:-1] & ~high[1:])):
        for k in np.flatnonzero(here):
            t = _bisect(altitude, grid[k : k + 1], grid[k + 1 : k + 2])
            events[name] = track.epoch + TimeDelta(t[0], format="sec")
    return events
