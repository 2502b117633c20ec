"""The Moon of a scenario at an instant: its limb is that of place and time."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache

from astropy.time import Time

from limbward.simulate.moon import Moon, moon, with_limb
from limbward.simulate.scenario import Scenario
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.limb_profile import LimbProfile
from limbward.sky.limb_track import LimbTrack, limb_track


def moon_at(scenario: Scenario, time: datetime, seed: int) -> Moon:
    """Return the Moon with its limb at an instant.

    Parameters
    ----------
    scenario : Scenario
    time : datetime
        UTC.
    seed : int
        Of the simulation.
    """
    if isinstance(scenario.limb, LimbProfile):
        return with_limb(moon(seed, 0.0), scenario.limb)
    if scenario.limb == "real":
        limbs = _limbs(scenario.date, scenario.site, scenario.sizes, scenario.ephemeris)
        if limbs is not None:
            since = (Time(time, scale="utc") - limbs.epoch).to_value("s")
            return with_limb(moon(seed, 0.0), limbs.at(float(since)))
    return moon(seed, 0.0 if scenario.limb == "smooth" else scenario.limb_rms_arcsec)


@lru_cache(maxsize=2)
def _limbs(date: str, site: Site, radii: Radii, ephemeris: str) -> LimbTrack | None:
    contacts = local_circumstances(date, site, radii=radii, ephemeris=ephemeris).contacts
    if "greatest" not in contacts:
        return None
    return limb_track(contacts["greatest"].time, site, radii=radii, ephemeris=ephemeris)
