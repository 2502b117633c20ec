"""The place, the eclipse and the air that a config describes, as the rooms want them."""

from __future__ import annotations

from datetime import datetime, time
from typing import Any

from astropy.time import Time

from limbward.config import Config
from limbward.errors import ConfigError, LimbwardError
from limbward.sky.air import Air, standard_air
from limbward.sky.best_limb import BestLimb, best_limb, contacts_told
from limbward.sky.circumstances import Circumstances
from limbward.sky.contacts import local_circumstances
from limbward.sky.doubt import MEASURED_AIR, SEASON, SITE_KM, Doubt, doubted_track
from limbward.sky.ephemeris import Radii, Site, SkyView, view
from limbward.sky.gps_place import GpsPlace
from limbward.sky.limb_profile import (
    LimbProfile,
    ProfileContacts,
    profile_contacts,
    read_profile,
)
from limbward.sky.real_limb import MEASURED_SUN_KM
from limbward.sky.seen import eclipse_after, totality_of, why_not_seen
from limbward.sky.track import SkyTrack, sky_track


def site(config: Config) -> Site:
    """Return the place of observation."""
    s = config.site
    return Site(s.latitude, s.longitude, s.height, s.name)


def radii(config: Config) -> Radii:
    """Return the sizes of Sun and Moon."""
    s = config.sky
    return Radii(s.k_penumbra, s.k_umbra, s.solar_radius_km)


def air(config: Config) -> Air:
    """Return the air that refracts: what the config gives, else the standard atmosphere's."""
    sky = config.sky
    standard = standard_air(config.site.height)
    pressure = standard.pressure_hpa if sky.pressure_hpa is None else sky.pressure_hpa
    temperature = standard.temperature_c if sky.temperature_c is None else sky.temperature_c
    return Air(pressure if sky.refraction else 0.0, temperature)


def eclipse(config: Config) -> Circumstances:
    """Return the eclipse's local circumstances.

    Raises
    ------
    ConfigError
        If none is seen there on that day, or the day lies outside the ephemeris.
    """
    try:
        found = local_circumstances(
            config.eclipse.isoformat(),
            site(config),
            radii=radii(config),
            ephemeris=config.sky.ephemeris,
        )
    except LimbwardError as error:
        raise ConfigError(f"{config.where('eclipse')}: {error}") from error
    fault = why_not_seen(found, config.eclipse.isoformat(), site(config))
    if fault:
        raise ConfigError(f"{config.where('eclipse')}: {fault}")
    return found


def limb_profile(config: Config) -> LimbProfile | None:
    """Return the configured profile of the Moon's limb, if there is one.

    Raises
    ------
    LimbwardError
        If it cannot be read or is none.
    """
    if config.sky.limb_profile is None:
        return None
    return read_profile(config.resolve(config.sky.limb_profile))


def by_limb_profile(config: Config, circumstances: Circumstances) -> ProfileContacts | None:
    """Return C2, C3 and the beads by the configured limb profile; None without one or totality.

    Raises
    ------
    LimbwardError
        If the profile cannot be read or is none.
    """
    profile = limb_profile(config)
    if profile is None or circumstances.kind != "total":
        return None
    return profile_contacts(
        circumstances,
        site(config),
        profile,
        radii=radii(config),
        ephemeris=config.sky.ephemeris,
    )


def covered(config: Config, circumstances: Circumstances) -> tuple[Time, Time] | None:
    """Return when the photosphere vanishes and returns; None where the eclipse is not total."""
    return totality_of(circumstances, by_limb_profile(config, circumstances))


def covered_s(config: Config, circumstances: Circumstances) -> tuple[float, float] | None:
    """Return `covered` in seconds from greatest eclipse."""
    times = covered(config, circumstances)
    if times is None:
        return None
    vanishes, returns = (float((t - greatest(circumstances)).to_value("s")) for t in times)
    return vanishes, returns


def contacts_json(config: Config, circumstances: Circumstances) -> dict[str, Any]:
    """Return what goes to contacts.json."""
    own = limb_profile(config) if circumstances.kind in ("total", "annular") else None
    return contacts_told(
        circumstances,
        site(config),
        own=own,
        radii=radii(config),
        solar_radius_km=_given_sun_km(config),
        ephemeris=config.sky.ephemeris,
    )


def moon_limb(config: Config, circumstances: Circumstances) -> BestLimb | None:
    """Return the Moon's limb as well as it is known; None without totality or a ring.

    Raises
    ------
    LimbwardError
        If the configured limb profile cannot be read, is none, or makes neither C2 nor C3.
    """
    return best_limb(
        circumstances,
        site(config),
        own=limb_profile(config),
        radii=radii(config),
        solar_radius_km=_given_sun_km(config),
        ephemeris=config.sky.ephemeris,
    )


def _given_sun_km(config: Config) -> float | None:
    """Return the Sun's radius if the config gives it."""
    sky = config.sky
    return sky.solar_radius_km if "solar_radius_km" in sky.model_fields_set else None


def sun_over_track(config: Config) -> float:
    """Return the Sun's radius that goes with the Moon's relief, over that of the track."""
    return (_given_sun_km(config) or MEASURED_SUN_KM) / config.sky.solar_radius_km


def view_at(config: Config, time: Time) -> SkyView:
    """Return Sun and Moon from the config's site at an instant."""
    return view(time, site(config), radii=radii(config), ephemeris=config.sky.ephemeris)


def greatest(circumstances: Circumstances) -> Time:
    """Return the instant of greatest eclipse, the zero of a session's seconds."""
    return circumstances.contacts["greatest"].time


def track(config: Config, epoch: Time) -> SkyTrack:
    """Return Sun and Moon around ``epoch`` as functions of seconds."""
    around = air(config)
    return sky_track(
        epoch,
        site(config),
        radii=radii(config),
        ephemeris=config.sky.ephemeris,
        pressure_hpa=around.pressure_hpa,
        temperature_c=around.temperature_c,
    )


def doubt(config: Config, around: SkyTrack, stood: GpsPlace | None = None) -> Doubt:
    """Return what is not known of the site's place and its air, and what that does to its track.

    Where GPS tags contradict the stated site, it may be as far off as they say.
    """
    sky = config.sky
    off = SITE_KM if stood is None or not stood.contradicts else stood.distance_km
    measured = None not in (sky.pressure_hpa, sky.temperature_c)
    return doubted_track(
        around,
        site(config),
        air(config),
        radii=radii(config),
        ephemeris=sky.ephemeris,
        site_km=off,
        air_error=MEASURED_AIR if measured or not sky.refraction else SEASON,
    )


def other_eclipse(config: Config, epoch: Time, days: int) -> str:
    """Return the date of an eclipse seen at the site so many days after ``epoch``; "" for none."""
    return eclipse_after(
        epoch, days, site(config), radii=radii(config), ephemeris=config.sky.ephemeris
    )


def noon(config: Config) -> datetime:
    """Return an instant on the day of the eclipse; only differences of readings count."""
    return datetime.combine(config.eclipse, time(12))
