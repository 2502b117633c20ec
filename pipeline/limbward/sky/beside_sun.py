"""Stars and planets around the Sun, as offsets from its centre that refraction has acted on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.sky.air import Air
from limbward.sky.apparent import PLANETS, Places, observer, solar_system, stars_near
from limbward.sky.ephemeris import Site, horizontal

Floats = NDArray[np.float64]

ARCSEC = np.degrees(1.0) * 3600.0
KNOTS_S = np.array([-600.0, 0.0, 600.0])  # a star's curve between them is under 1e-3 arcsec
# The middle of a planet's light is not that of its disc: the inner ones' radii at 1 au, arcsec,
# from the Explanatory Supplement to the Astronomical Almanac (2013), table 10.1, from memory, and
# half the radius that the outer ones have near the Sun.
PLANET_SIGMA_ARCSEC = {"Mercury": 3.4, "Venus": 8.3, "Mars": 4.7, "Jupiter": 10.0, "Saturn": 10.0}
STAR_SIGMA_ARCSEC = 0.1  # doubles and unseen companions; single stars are good to 0.03


@dataclass(frozen=True)
class Beside:
    """M stars and planets around the Sun near an epoch.

    Attributes
    ----------
    name, kind : list of str
        Kinds are ``star`` and ``planet``.
    magnitude : ndarray, shape (M,)
        Hp of stars, V of planets, above the air.
    sigma_arcsec : ndarray, shape (M,)
        Standard error of the place of the light's middle.
    knots : ndarray, shape (3, M, 2)
        Offsets (east, north) at `KNOTS_S` from the epoch.
    """

    name: list[str]
    kind: list[str]
    magnitude: Floats
    sigma_arcsec: Floats
    knots: Floats

    def brightest(self, count: int, within_arcsec: float) -> Beside:
        """Return the brightest so many within a distance from the Sun."""
        few = np.flatnonzero(np.hypot(*self.knots[1].T) < within_arcsec)[:count]
        return Beside(
            [self.name[k] for k in few],
            [self.kind[k] for k in few],
            self.magnitude[few],
            self.sigma_arcsec[few],
            self.knots[:, few],
        )

    def offset_arcsec(self, t: Floats) -> Floats:
        """Return offsets from the Sun's centre, shape (..., M, 2): east, north.

        Parameters
        ----------
        t : ndarray
            Seconds from the epoch.
        """
        u = np.asarray(t, float)[..., None, None] / KNOTS_S[2]
        before, at, after = self.knots
        return np.asarray(at + u * (after - before) / 2 + u**2 * (after - 2 * at + before) / 2)


def beside_sun(
    epoch: Time, site: Site, air: Air, within_deg: float, *, ephemeris: str = "de421"
) -> Beside:
    """Return the stars and planets around the Sun, the brightest first.

    Parameters
    ----------
    epoch : Time
        Greatest eclipse, by custom.
    site : Site
    air : Air
        That refracts.
    within_deg : float
        Of the Sun's centre.
    ephemeris : str

    Notes
    -----
    Offsets lie on the plane that touches the sphere of what is seen, refraction included, at the
    Sun's centre; north and east are those of the Sun's own place without refraction, as
    `limbward.sky.refraction.refraction_matrix` has it.
    """
    time = epoch + TimeDelta(KNOTS_S, format="sec")
    here = observer(time, site, ephemeris)
    bodies = solar_system(time, site, ephemeris=ephemeris, **_of(air))
    sun = bodies.equatorial[:, 0]
    every = stars_near(time, site, sun[1], within_deg, ephemeris=ephemeris, **_of(air))
    offset = _offsets(every, bodies, here.gast, site)
    near = np.hypot(*offset[1].T) < within_deg * 3600.0
    offset = offset[:, near]
    moving = _offsets(bodies, bodies, here.gast, site)
    wander = [k for k, n in enumerate(bodies.name) if n in PLANETS]
    close = [k for k in wander if np.hypot(*moving[1, k]) < within_deg * 3600.0]
    chosen = np.flatnonzero(near)
    name = [every.name[k] for k in chosen] + [bodies.name[k] for k in close]
    kind = ["star"] * chosen.size + ["planet"] * len(close)
    magnitude = np.concatenate([every.magnitude[1, near], bodies.magnitude[1, close]])
    sigma = np.array([PLANET_SIGMA_ARCSEC.get(n, STAR_SIGMA_ARCSEC) for n in name])
    knots = np.concatenate([offset, moving[:, close]], axis=1)
    order = np.argsort(magnitude, kind="stable")
    return Beside(
        [name[k] for k in order],
        [kind[k] for k in order],
        magnitude[order],
        sigma[order],
        knots[:, order],
    )


def _of(air: Air) -> dict[str, float]:
    return {"pressure_hpa": air.pressure_hpa, "temperature_c": air.temperature_c}


def _offsets(places: Places, bodies: Places, gast: Floats, site: Site) -> Floats:
    """Return offsets (N, M, 2) from the Sun, which is the first of ``bodies``."""
    sun = bodies.equatorial[:, 0]
    _, _, q = horizontal(sun, gast, np.array(site.latitude), np.array(site.longitude))
    h, a = np.radians(places.altitude), np.radians(places.azimuth)
    h0, a0 = (np.radians(v[:, :1]) for v in (bodies.altitude, bodies.azimuth))
    depth = np.sin(h) * np.sin(h0) + np.cos(h) * np.cos(h0) * np.cos(a - a0)
    right = np.cos(h) * np.sin(a - a0) / depth
    up = (np.sin(h) * np.cos(h0) - np.cos(h) * np.sin(h0) * np.cos(a - a0)) / depth
    turn = np.radians(q)[:, None]
    # Seen with the zenith up, east of it is to the left.
    east = up * np.sin(turn) - right * np.cos(turn)
    north = up * np.cos(turn) + right * np.sin(turn)
    return np.asarray(ARCSEC * np.stack([east, north], axis=-1))
