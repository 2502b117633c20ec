"""C2, C3 and the beads as the Moon's mountains and valleys make them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from astropy.time import Time

from limbward.sky.circumstances import Circumstances, Contact, iso_utc
from limbward.sky.ephemeris import ARCSEC, Radii, Site, view
from limbward.sky.libration import TurnedMoon, orientation_known, turned_moon
from limbward.sky.limb_profile import Bead, NoContacts, ProfileContacts, profile_contacts
from limbward.sky.lunar_limb import LONGEST, WIDEST, LunarLimb, limb_of

# L. Quaglia et al., Astrophys. J. Suppl. 256 (2021) 36: 959.95 +- 0.05 arcsec at 1 au, measured at
# eclipses with the limb of the Moon that is used here. The tables' 696 000 km are 959.63 arcsec and
# make totality 1.2 to 2 s longer.
SUN_ARCSEC, AU_KM = 959.95, 149597870.7
MEASURED_SUN_KM = float(AU_KM * np.sin(SUN_ARCSEC / ARCSEC))


@dataclass(frozen=True)
class RealLimb:
    """What the Moon's relief makes of a total or annular eclipse at a site.

    ``contacts`` is None where valleys leave some photosphere uncovered throughout, or mountains cut
    the ring throughout. ``moon`` and ``limb`` are those of greatest eclipse: in the four minutes
    around it the limb changes by 0.02 arcsec rms, and with the limbs of C2 and C3 these come out
    0.012 s from there at most.
    """

    site: Site
    moon: TurnedMoon
    limb: LunarLimb
    solar_radius_km: float
    contacts: ProfileContacts | None


def real_limb(
    circumstances: Circumstances,
    site: Site,
    *,
    radii: Radii | None = None,
    solar_radius_km: float | None = None,
    ephemeris: str = "de421",
) -> RealLimb | None:
    """Return C2, C3 and the beads by the Moon's relief.

    Parameters
    ----------
    circumstances : Circumstances
    site : Site
    radii : Radii, optional
        As for ``circumstances``; the result hardly depends on them.
    solar_radius_km : float, optional
        Without it, the Sun is as it is measured at eclipses, 696 221 km.
    ephemeris : str

    Returns
    -------
    RealLimb or None
        None where the eclipse is neither total nor annular with a smooth Moon, and before 1900 and
        after 2050.

    Examples
    --------
    >>> from limbward.sky.contacts import local_circumstances
    >>> from limbward.sky.ephemeris import Site
    >>> from limbward.sky.real_limb import real_limb
    >>> site = Site(65.0, -25.0)
    >>> found = real_limb(local_circumstances("2026-08-12", site), site)
    >>> found.contacts.beads[0].contact
    'C2'
    """
    if circumstances.kind not in ("total", "annular"):
        return None
    greatest = circumstances.contacts["greatest"].time
    moon = turned_moon_if_known(greatest, site, ephemeris=ephemeris)
    if moon is None:
        return None
    limb = limb_of(moon)
    radii = replace(radii or Radii(), solar_radius_km=solar_radius_km or MEASURED_SUN_KM)
    try:
        contacts = profile_contacts(
            circumstances, site, limb.profile(radii), radii=radii, ephemeris=ephemeris
        )
    except NoContacts:
        contacts = None
    return RealLimb(site, moon, limb, radii.solar_radius_km, contacts)


def turned_moon_if_known(time: Time, site: Site, *, ephemeris: str = "de421") -> TurnedMoon | None:
    """Return how the Moon is turned at an instant, None where its limb is not known."""
    if not orientation_known(time):
        return None
    moon = turned_moon(time, site, ephemeris=ephemeris)
    if abs(moon.longitude[0]) > LONGEST or abs(moon.latitude[0]) > WIDEST:
        return None
    return moon


def real_limb_json(found: RealLimb) -> dict[str, Any]:
    """Return what the relief makes of C2 and C3 as plain values, as in contacts.json.

    Notes
    -----
    The duration is 0 and there is neither C2 nor C3 where the photosphere never vanishes, or the
    ring is never whole. The position angles are those of the valleys of a total eclipse and of the
    mountains of an annular one, about the Moon's centre.
    """
    told: dict[str, Any] = {}
    beads: tuple[Bead, ...] = ()
    duration = 0.0
    if found.contacts is not None:
        times = (found.contacts.second, found.contacts.third)
        duration = float((times[1] - times[0]).to_value("s"))
        beads = found.contacts.beads
        told = _contacts(found.contacts, found.site)
    return told | {
        "duration_s": round(duration, 2),
        "solar_radius_km": round(found.solar_radius_km, 1),
        "libration": {
            "longitude": round(float(found.moon.longitude[0]), 3),
            "latitude": round(float(found.moon.latitude[0]), 3),
            "axis_position_angle": round(float(found.moon.axis_position_angle[0]), 3),
        },
        "beads": [_bead(bead, found.limb) for bead in beads],
    }


def _contacts(contacts: ProfileContacts, site: Site) -> dict[str, Any]:
    times = (contacts.second, contacts.third)
    sky = view(Time([*times]), site)
    told = {}
    for i, (name, angle) in enumerate(zip(("C2", "C3"), contacts.places, strict=True)):
        vertex = (angle - float(sky.parallactic_angle[i])) % 360.0
        altitude, azimuth = float(sky.sun_altitude[i]), float(sky.sun_azimuth[i])
        told[name] = Contact(times[i], altitude, azimuth, angle, vertex).to_json_dict()
    return told


def _bead(bead: Bead, limb: LunarLimb) -> dict[str, Any]:
    alone = [None if time is None else iso_utc(time) for time in bead.alone]
    longitude, latitude = limb.place(bead.position_angle)
    return {
        "contact": bead.contact,
        "utc": iso_utc(bead.time),
        "position_angle": round(bead.position_angle, 1),
        "start": alone[0],
        "end": alone[1],
        "selenographic_longitude": round(longitude, 2),
        "selenographic_latitude": round(latitude, 2),
    }
