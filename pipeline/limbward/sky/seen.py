"""Whether an eclipse is seen from a place, and which one, in words."""

from __future__ import annotations

from datetime import timedelta

from astropy.time import Time

from limbward.errors import LimbwardError
from limbward.sky.circumstances import Circumstances
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.limb_profile import ProfileContacts

SAME_ECLIPSE_DAYS = 20  # two solar eclipses are a month apart at least


def why_not_seen(found: Circumstances, date: str, site: Site) -> str:
    """Return why no eclipse is seen from a place, in a sentence; empty if one is.

    Parameters
    ----------
    found : Circumstances
        Of that place and date.
    date : str
        That was asked for, ISO 8601.
    site : Site
    """
    where = (
        f"at latitude {site.latitude:g}, longitude {site.longitude:g}. Check the date (UTC or "
        "local) and the signs: north and east are positive."
    )
    if found.other_date:
        return (
            f"there is no solar eclipse on {date}, but there is one on {found.other_date} {where}"
        )
    if found.kind == "none":
        return f"there is no solar eclipse on {date} {where}"
    if not found.visible:
        return f"the Sun is down during the eclipse of {date} {where}"
    return ""


def only_partial(circumstances: Circumstances) -> str:
    """Return a warning where the eclipse is not total; empty where it is."""
    if circumstances.kind == "total":
        return ""
    return (
        f"The eclipse is {circumstances.kind} at the site (magnitude "
        f"{circumstances.magnitude:.3f}), not total. If you saw totality, check the site's "
        "coordinates."
    )


def totality_of(
    circumstances: Circumstances, profiled: ProfileContacts | None = None
) -> tuple[Time, Time] | None:
    """Return when the photosphere vanishes and returns; None where the eclipse is not total.

    Parameters
    ----------
    circumstances : Circumstances
    profiled : ProfileContacts, optional
        By the Moon's true limb; else the smooth Moon's contacts are taken.
    """
    if circumstances.kind != "total":
        return None
    if profiled is not None:
        return profiled.second, profiled.third
    return circumstances.contacts["C2"].time, circumstances.contacts["C3"].time


def eclipse_after(
    epoch: Time, days: int, site: Site, *, radii: Radii | None = None, ephemeris: str = "de421"
) -> str:
    """Return the date of an eclipse seen at a place so many days after ``epoch``; "" for none.

    Parameters
    ----------
    epoch : Time
        Of greatest eclipse.
    days : int
        May be negative.
    site : Site
    radii : Radii, optional
    ephemeris : str
    """
    if abs(days) < SAME_ECLIPSE_DAYS:
        return ""
    date = (epoch.utc.to_datetime() + timedelta(days=days)).date().isoformat()
    try:
        found = local_circumstances(date, site, radii=radii, ephemeris=ephemeris)
    except LimbwardError:  # outside the ephemeris: a date that no camera can have bears witness
        return ""
    return date if found.kind != "none" and found.visible and not found.other_date else ""
