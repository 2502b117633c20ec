"""Local circumstances of a solar eclipse at one place: when, where on the disc, and how deep."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from astropy.time import Time

from limbward.sky.caution import caution
from limbward.sky.ephemeris import Site

SUNRISE_ALTITUDE = -0.8333  # degrees; 34' of refraction and 16' of radius, common practice
CONTACTS = ("C1", "C2", "greatest", "C3", "C4")


@dataclass(frozen=True)
class Contact:
    """One instant of an eclipse at a site.

    ``altitude`` (without refraction), ``azimuth`` (from north through east), ``position_angle``
    (P, from celestial north through east) and ``vertex_angle`` (V, from the zenith through east)
    are in degrees. The angles are those of the point of the Sun's limb where the limbs touch, and
    at greatest eclipse that of the Moon's centre.
    """

    time: Time
    altitude: float
    azimuth: float
    position_angle: float
    vertex_angle: float

    def to_json_dict(self) -> dict[str, Any]:
        """Return the contact as plain values, as in contacts.json."""
        return {
            "utc": iso_utc(self.time),
            "altitude": round(self.altitude, 3),
            "azimuth": round(self.azimuth, 3),
            "position_angle": round(self.position_angle, 3),
            "vertex_angle": round(self.vertex_angle, 3),
            "above_horizon": self.altitude > SUNRISE_ALTITUDE,
        }


@dataclass(frozen=True)
class Circumstances:
    """An eclipse as seen from a site.

    Attributes
    ----------
    kind : {'total', 'annular', 'partial', 'none'}
        By geometry, whether or not the Sun is up; see ``visible``.
    magnitude : float
        Fraction of the Sun's diameter covered at greatest eclipse: (rS + rM - separation)/(2 rS).
    obscuration : float
        Fraction of the Sun's area covered at greatest eclipse.
    moon_sun_ratio : float
        Ratio of the apparent radii at greatest eclipse.
    duration_s : float or None
        From C2 to C3.
    delta_t_s : float
        TT minus UT1 used.
    contacts : dict
        Of those in ``CONTACTS`` that happen.
    sun_events : dict
        ``sunrise`` or ``sunset`` between C1 and C4, as UTC.
    other_date : str or None
        Where the kind is ``none`` because the date is wrong: the UTC date of an eclipse seen from
        the site a day or so away.
    """

    date: str
    site: Site
    kind: str
    magnitude: float
    obscuration: float
    moon_sun_ratio: float
    duration_s: float | None
    delta_t_s: float
    contacts: dict[str, Contact]
    sun_events: dict[str, Time]
    other_date: str | None = None

    @property
    def visible(self) -> bool:
        """Whether the Sun is up at any contact or rises or sets between them."""
        up = any(c.altitude > SUNRISE_ALTITUDE for c in self.contacts.values())
        return up or bool(self.sun_events)

    def to_json_dict(self) -> dict[str, Any]:
        """Return the circumstances as plain values, as in contacts.json."""
        found = {
            "date": self.date,
            "site": {
                "name": self.site.name,
                "latitude": self.site.latitude,
                "longitude": self.site.longitude,
                "height": self.site.height,
            },
            "kind": self.kind,
            "visible": self.visible,
            "magnitude": round(self.magnitude, 5),
            "obscuration": round(self.obscuration, 5),
            "moon_sun_ratio": round(self.moon_sun_ratio, 6),
            "duration_s": None if self.duration_s is None else round(self.duration_s, 2),
            "delta_t": round(self.delta_t_s, 3),
            "contacts": {name: c.to_json_dict() for name, c in self.contacts.items()},
            **{name: iso_utc(t) for name, t in self.sun_events.items()},
            **({"other_date": self.other_date} if self.other_date else {}),
        }
        return found | {"caution": caution(found)}


def iso_utc(time: Time) -> str:
    """Return an instant as ISO 8601 UTC to a millisecond, with a trailing Z."""
    return f"{Time(time, precision=3).utc.isot}Z"
