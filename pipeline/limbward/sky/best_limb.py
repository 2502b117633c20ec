"""The Moon's limb as well as it is known: a user's own profile, the relief, or a smooth Moon."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from limbward.sky.circumstances import Circumstances
from limbward.sky.ephemeris import Radii, Site
from limbward.sky.limb_profile import (
    LimbProfile,
    ProfileContacts,
    circumstances_json,
    profile_contacts,
)
from limbward.sky.lunar_limb import LunarLimb
from limbward.sky.real_limb import real_limb, real_limb_json

NOT_KNOWN = (
    "How the Moon is turned is known from 1900 to 2050 only: C2 and C3 are those of a smooth Moon."
)
SMOOTH = LimbProfile(np.array([0.0, 180.0]), np.zeros(2))


@dataclass(frozen=True)
class BestLimb:
    """The Moon's limb at a total or annular eclipse, and what it makes of C2 and C3.

    Attributes
    ----------
    by : str
        ``the limb profile``, ``the real limb`` or ``a smooth Moon``.
    profile : LimbProfile
    radii : Radii
        The profile is about the mean limb of ``k_penumbra``; the Sun is that of the contacts.
    contacts : ProfileContacts or None
        None where the photosphere is never covered, or the ring is never whole.
    relief : LunarLimb or None
        Of the real limb.
    """

    by: str
    profile: LimbProfile
    radii: Radii
    contacts: ProfileContacts | None
    relief: LunarLimb | None = None


def best_limb(
    circumstances: Circumstances,
    site: Site,
    *,
    own: LimbProfile | None = None,
    radii: Radii | None = None,
    solar_radius_km: float | None = None,
    ephemeris: str = "de421",
) -> BestLimb | None:
    """Return the limb that is known best.

    Parameters
    ----------
    circumstances : Circumstances
    site : Site
    own : LimbProfile, optional
        A user's, which comes before the relief.
    radii : Radii, optional
        As for ``circumstances``.
    solar_radius_km : float, optional
        As for `limbward.sky.real_limb.real_limb`.
    ephemeris : str

    Returns
    -------
    BestLimb or None
        None where the eclipse is neither total nor annular.

    Raises
    ------
    LimbwardError
        If ``own`` makes neither C2 nor C3.
    """
    if circumstances.kind not in ("total", "annular"):
        return None
    radii = radii or Radii()
    if own is not None:
        found = profile_contacts(circumstances, site, own, radii=radii, ephemeris=ephemeris)
        return BestLimb("the limb profile", own, radii, found)
    real = real_limb(
        circumstances, site, radii=radii, solar_radius_km=solar_radius_km, ephemeris=ephemeris
    )
    if real is None:
        second, third = (circumstances.contacts[n] for n in ("C2", "C3"))
        places = (second.position_angle, third.position_angle)
        smooth = ProfileContacts(second.time, third.time, (), places)
        return BestLimb("a smooth Moon", SMOOTH, radii, smooth)
    radii = replace(radii, solar_radius_km=real.solar_radius_km)
    return BestLimb("the real limb", real.limb.profile(radii), radii, real.contacts, real.limb)


def contacts_told(
    circumstances: Circumstances,
    site: Site,
    *,
    own: LimbProfile | None = None,
    smooth: bool = False,
    radii: Radii | None = None,
    solar_radius_km: float | None = None,
    ephemeris: str = "de421",
) -> dict[str, Any]:
    """Return circumstances with C2 and C3 by the best limb, as in contacts.json.

    Parameters
    ----------
    circumstances, site, own, radii, solar_radius_km, ephemeris
        As for `best_limb`.
    smooth : bool
        Whether the relief is left out.

    Raises
    ------
    LimbwardError
        If ``own`` makes no sense: the eclipse is partial, or it leaves no C2 and C3.
    """
    if own is not None:
        found = profile_contacts(circumstances, site, own, radii=radii, ephemeris=ephemeris)
        return circumstances_json(circumstances, found)
    if smooth or circumstances.kind not in ("total", "annular"):
        return circumstances_json(circumstances)
    real = real_limb(
        circumstances, site, radii=radii, solar_radius_km=solar_radius_km, ephemeris=ephemeris
    )
    if real is None:
        return circumstances_json(circumstances, limb_note=NOT_KNOWN)
    return circumstances_json(circumstances, real_limb=real_limb_json(real))
