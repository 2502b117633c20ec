"""The Moon's limb as well as it is known: a user's own profile, the relief, or a smooth Moon."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.geometry.angle import half_turn
from limbward.sky.circumstances import Circumstances
from limbward.sky.ephemeris import Radii, Site, view
from limbward.sky.limb_profile import (
    Bead,
    LimbProfile,
    ProfileContacts,
    circumstances_json,
    profile_contacts,
    sun_over_limb,
)
from limbward.sky.lunar_limb import LunarLimb
from limbward.sky.real_limb import real_limb, real_limb_json

Floats = NDArray[np.float64]

ANGLES = np.arange(0.0, 360.0, 0.1)
LEAST_DEG = 15.0  # to either side of a contact
INSTANTS = 61  # the Moon moves by an arcsecond in 2 s
NOT_KNOWN = (
    "The Moon's orientation is known from 1900 to 2050 only: C2 and C3 are those of a smooth Moon."
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
    central : tuple of Time
        C2 and C3; those of a smooth Moon where this limb makes none.
    relief : LunarLimb or None
        Of the real limb.
    """

    by: str
    profile: LimbProfile
    radii: Radii
    contacts: ProfileContacts | None
    central: tuple[Time, Time]
    relief: LunarLimb | None = None

    @property
    def beads(self) -> tuple[Bead, ...]:
        """The beads at the contacts, in order of time."""
        return () if self.contacts is None else self.contacts.beads

    def sun_over(
        self,
        epoch: Time,
        seconds: Floats,
        site: Site,
        ephemeris: str = "de421",
        angle: Floats = ANGLES,
    ) -> Floats:
        """Return by how much the Sun's limb overtops this one, arcsec, shape (T, A).

        At position angles of every tenth of a degree if none are given; see
        `limbward.sky.limb_profile.sun_over_limb`.
        """
        return sun_over_limb(
            epoch, seconds, site, angle, self.profile, radii=self.radii, ephemeris=ephemeris
        )

    def around_contacts(self) -> tuple[Floats, Floats]:
        """Return position angles around C2 and C3 that take in their beads, ascending, degrees."""
        if self.contacts is None:
            return ANGLES, ANGLES
        spans = []
        for name, place in zip(("C2", "C3"), self.contacts.places, strict=True):
            off = [b.position_angle - place for b in self.beads if b.contact == name]
            off = [half_turn(d) for d in off]
            first, last = min([-LEAST_DEG, *off]) - 3.0, max([LEAST_DEG, *off]) + 3.0
            spans.append(place + np.arange(first, last, 0.1))
        return spans[0], spans[1]

    def lowest_over_sun(
        self, angle: Floats, site: Site, solar_radius_km: float, ephemeris: str = "de421"
    ) -> Floats:
        """Return how high this limb stood above the Sun's, at the lowest between C2 and C3.

        Parameters
        ----------
        angle : ndarray, shape (A,)
            Position angles about the Sun's centre, degrees.
        site : Site
        solar_radius_km : float
            Of the Sun's limb from which it is counted.
        ephemeris : str

        Returns
        -------
        ndarray, shape (A,)
            Arcsec along the radius from the Sun's centre, which the Moon must cover.
        """
        second, third = self.central
        radii = replace(self.radii, solar_radius_km=solar_radius_km)
        seconds = np.linspace(0.0, float((third - second).to_value("s")), INSTANTS)
        sky = view(second + TimeDelta(seconds, format="sec"), site, radii=radii,
                   ephemeris=ephemeris)  # fmt: skip
        around, height = np.radians(ANGLES), self.profile.height(ANGLES)
        lowest = np.full(angle.shape, np.inf)
        for i in range(seconds.size):
            rim = sky.moon_radius_arcsec[i] + height
            east = sky.moon_east_arcsec[i] + rim * np.sin(around)
            north = sky.moon_north_arcsec[i] + rim * np.cos(around)
            at = np.degrees(np.arctan2(east, north))
            over = np.interp(angle, at, np.hypot(east, north), period=360.0)
            lowest = np.minimum(lowest, over - sky.sun_radius_arcsec[i])
        return lowest


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
        return BestLimb("the limb profile", own, radii, found, (found.second, found.third))
    real = real_limb(
        circumstances, site, radii=radii, solar_radius_km=solar_radius_km, ephemeris=ephemeris
    )
    smooth = smooth_limb(circumstances, radii)
    if real is None:
        return smooth
    made = real.contacts
    central = smooth.central if made is None else (made.second, made.third)
    radii = replace(radii, solar_radius_km=real.solar_radius_km)
    return BestLimb("the real limb", real.limb.profile(radii), radii, made, central, real.limb)


def smooth_limb(circumstances: Circumstances, radii: Radii) -> BestLimb:
    """Return the limb of a smooth Moon at a total or annular eclipse."""
    second, third = (circumstances.contacts[n] for n in ("C2", "C3"))
    places = (second.position_angle, third.position_angle)
    contacts = ProfileContacts(second.time, third.time, (), places)
    return BestLimb("a smooth Moon", SMOOTH, radii, contacts, (second.time, third.time))


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
