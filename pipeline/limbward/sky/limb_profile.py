"""Second and third contact with the Moon's mountains and valleys, and the beads between them."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from astropy.time import Time, TimeDelta
from numpy.typing import NDArray

from limbward.errors import LimbwardError
from limbward.sky.caution import caution
from limbward.sky.circumstances import Circumstances, iso_utc
from limbward.sky.ephemeris import Radii, Site, view

Floats = NDArray[np.float64]

SPAN_S = 60.0  # before C2 and after C3; beads last a few seconds to half a minute
# The difference of the limbs bends by v**2 / r = 3e-4 arcsec / s**2: straight lines between
# instants 2 s apart are good to 0.5 ms.
STEP_S = 2.0
BEADS_S = 30.0  # before C2 and after C3
NEVER_COVERED = (
    "With this limb profile the photosphere never vanishes: there is no totality then, and a "
    "filter has to stay on. Check that its heights are arcsec from the mean limb."
)
NEVER_WHOLE = (
    "With this limb profile the ring is never whole: mountains cut it throughout. Check that its "
    "heights are arcsec from the mean limb."
)
# Sparks that join a neighbour within a second are part of it, and of the others those that stand
# alone longest are told: there are sixty at a contact, more than anybody looks up.
MERGED_S, MOST_BEADS = 1.0, 8
HIGHEST_ARCSEC = 10.0  # the Moon's relief stays within about 4 arcsec of the mean limb


class NoContacts(LimbwardError):
    """By its limb the Moon never covers all of the photosphere, or never leaves a whole ring."""


@dataclass(frozen=True)
class LimbProfile:
    """Height of the Moon's limb above its mean radius, arcsec, against position angle, degrees.

    Position angles run from celestial north through east about the Moon's centre.
    """

    position_angle: Floats
    height_arcsec: Floats

    def height(self, position_angle: Floats) -> Floats:
        """Return heights at any position angles, interpolated around the circle."""
        return np.interp(position_angle, self.position_angle, self.height_arcsec, period=360.0)

    def smoothed(self, degrees: float) -> LimbProfile:
        """Return the profile as its means over a stretch of limb, a tenth of a degree apart."""
        # Imported where it is used: `limbward contacts` needs none of it, and it takes 0.3 s.
        from scipy.ndimage import uniform_filter1d

        angle = np.arange(3600, dtype=np.float64) * 0.1
        means = uniform_filter1d(self.height(angle), round(10.0 * degrees), mode="wrap")
        return LimbProfile(angle, means)


@dataclass(frozen=True)
class Bead:
    """A stretch of photosphere seen through a valley.

    ``contact`` is C2 or C3. At C2 of a total eclipse, and at C3 of an annular one, it goes out at
    ``time``, and ``parted`` is when it parted from the last of its neighbours; at the other contact
    it appears at ``time``, and ``parted`` is when it joins the first. ``parted`` is None if there
    is no neighbour in the 60 s that are looked at.
    """

    contact: str
    time: Time
    position_angle: float
    parted: Time | None = None
    appears: bool = False

    @property
    def alone(self) -> tuple[Time | None, Time | None]:
        """From when to when it stands alone."""
        return (self.time, self.parted) if self.appears else (self.parted, self.time)


@dataclass(frozen=True)
class ProfileContacts:
    """C2 and C3 by a limb profile, and the beads in order of time.

    ``places`` are the position angles about the Moon's centre, degrees, of what decides C2 and C3:
    in a total eclipse the last and the first valley, in an annular one the last and first mountain.
    """

    second: Time
    third: Time
    beads: tuple[Bead, ...]
    places: tuple[float, float] = (np.nan, np.nan)


def read_profile(path: Path) -> LimbProfile:
    """Read a profile from a CSV file of position angle (degrees) and height (arcsec).

    Raises
    ------
    LimbwardError
        If a line does not hold two numbers, the heights are implausible, or there are too few.

    Notes
    -----
    Lines that begin with ``#`` and one line of headings are passed over.
    """
    rows: list[tuple[float, float]] = []
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise LimbwardError(f"The limb profile {path} cannot be read ({error}).") from error
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    for number, row in enumerate(csv.reader(lines), start=1):
        try:
            rows.append((float(row[0]) % 360.0, float(row[1])))
        except (ValueError, IndexError):
            if number == 1:
                continue
            raise LimbwardError(
                f"{path}: {','.join(row)!r} should be a position angle in degrees and a height in "
                "arcsec, separated by a comma."
            ) from None
    if len(rows) < 12:
        raise LimbwardError(f"{path} holds {len(rows)} points; a limb profile needs at least 12.")
    angle, height = np.array(sorted(rows)).T
    if not np.all(np.isfinite(height)) or np.abs(height).max() > HIGHEST_ARCSEC:
        raise LimbwardError(
            f"{path}: heights should be arcsec from the mean limb; {np.abs(height).max():g} is "
            "more than the Moon has."
        )
    return LimbProfile(angle, height)


def profile_contacts(
    circumstances: Circumstances,
    site: Site,
    profile: LimbProfile,
    *,
    radii: Radii | None = None,
    ephemeris: str = "de421",
) -> ProfileContacts:
    """Return C2, C3 and the beads as the Moon's limb makes them.

    Parameters
    ----------
    circumstances : Circumstances
        Of a total or annular eclipse at ``site``.
    site : Site
    profile : LimbProfile
        About the mean limb of ``radii.k_penumbra``.
    radii : Radii, optional
    ephemeris : str

    Raises
    ------
    LimbwardError
        If the eclipse is neither total nor annular at the site.
    NoContacts
        If no totality or whole ring is left with this profile, or less than two seconds.

    Notes
    -----
    The photosphere shows at a position angle while the Sun's limb lies further from the Moon's
    centre there than the Moon's own limb does. C2 is when the last such place vanishes. A bead is
    a local maximum of the difference; it goes out when that falls below zero. In an annular
    eclipse C2 is when the last mountain leaves the Sun's edge and the ring is whole, and beads
    appear before: light in valleys that joins as the mountains go. So there mountains make C2 late
    and C3 early, and in a total eclipse it is the other way around.
    """
    if circumstances.kind not in ("total", "annular"):
        raise LimbwardError(
            "A limb profile makes sense only where the eclipse is total or annular."
        )
    total = circumstances.kind == "total"
    smooth = circumstances.contacts["C2"].time
    middle_s = float((circumstances.contacts["C3"].time - smooth).to_value("s"))
    t = np.arange(-SPAN_S, middle_s + SPAN_S + STEP_S, STEP_S)
    angle = np.arange(0.0, 360.0, 0.1)
    # What is above zero is in the way: photosphere of totality, mountains of the ring.
    gap = (1.0 if total else -1.0) * sun_over_limb(
        smooth, t, site, angle, profile, radii=radii, ephemeris=ephemeris
    )
    first, end = _longest(gap.max(axis=1) <= 0.0)
    if first == 0 or end >= t.size:
        raise NoContacts(NEVER_COVERED if total else NEVER_WHOLE)
    goes = _last_positive(t[: first + 1], gap[: first + 1])
    # Seen backwards in time, C3 is as C2.
    comes = _last_positive(-t[end - 1 :][::-1], gap[end - 1 :][::-1])
    second, third = smooth + TimeDelta([goes.max(), -comes.max()], format="sec")
    beads = [
        *_beads("C2", smooth, 1.0, goes, angle, total),
        *_beads("C3", smooth, -1.0, comes, angle, total),
    ]
    beads.sort(key=lambda bead: float((bead.time - smooth).to_value("s")))
    places = (float(angle[goes.argmax()]), float(angle[comes.argmax()]))
    return ProfileContacts(second, third, tuple(beads), places)


def circumstances_json(
    circumstances: Circumstances,
    profiled: ProfileContacts | None = None,
    real_limb: dict[str, Any] | None = None,
    limb_note: str = "",
) -> dict[str, Any]:
    """Return circumstances as plain values, as in contacts.json.

    Parameters
    ----------
    circumstances : Circumstances
    profiled : ProfileContacts, optional
        Adds ``limb_profile``; the caution then heeds the duration that it gives, too.
    real_limb : dict, optional
        From `limbward.sky.real_limb.real_limb_json`; likewise.
    limb_note : str
        Why there is no real limb, if there could be one.
    """
    found = circumstances.to_json_dict()
    if profiled is not None:
        found |= {"limb_profile": profile_json(profiled)}
    if real_limb is not None:
        found |= {"real_limb": real_limb}
    if limb_note:
        found |= {"limb_note": limb_note}
    return found | {"caution": caution(found)}


def profile_json(found: ProfileContacts) -> dict[str, Any]:
    """Return the contacts by a limb profile as plain values."""
    return {
        "C2": iso_utc(found.second),
        "C3": iso_utc(found.third),
        "duration_s": round(float((found.third - found.second).to_value("s")), 2),
        "beads": [
            {
                "contact": bead.contact,
                "utc": iso_utc(bead.time),
                "position_angle": round(bead.position_angle, 1),
            }
            for bead in found.beads
        ],
    }


def sun_over_limb(
    epoch: Time,
    seconds: Floats,
    site: Site,
    angle: Floats,
    profile: LimbProfile,
    *,
    radii: Radii | None = None,
    ephemeris: str = "de421",
) -> Floats:
    """Return by how much the Sun's limb overtops the Moon's: photosphere shows where it does.

    Parameters
    ----------
    epoch : Time
    seconds : ndarray, shape (T,)
        From ``epoch``, within ten minutes.
    site : Site
    angle : ndarray, shape (A,)
        Position angles about the Moon's centre, degrees.
    profile : LimbProfile
    radii : Radii, optional
    ephemeris : str

    Returns
    -------
    ndarray, shape (T, A)
        Arcsec, along the radius from the Moon's centre.
    """
    # Up to ten minutes of smooth motion: a polynomial of the seventh degree is good to 1e-5 arcsec.
    middle, half = 0.5 * (seconds.min() + seconds.max()), max(np.ptp(seconds) / 2.0, 1.0)
    coarse = np.linspace(middle - half, middle + half, 12)
    sky = view(epoch + TimeDelta(coarse, format="sec"), site, radii=radii, ephemeris=ephemeris)

    def at(values: Floats) -> Floats:
        return np.polynomial.Polynomial.fit(coarse, values, 7)(seconds)[:, None]

    east, north = -at(sky.moon_east_arcsec), -at(sky.moon_north_arcsec)
    sun, moon = at(sky.sun_radius_arcsec), at(sky.moon_radius_arcsec)
    a = np.radians(angle)
    along = east * np.sin(a) + north * np.cos(a)
    across = east * np.cos(a) - north * np.sin(a)
    reach = along + np.sqrt(np.maximum(sun**2 - across**2, 0.0))
    return np.asarray(reach - moon - profile.height(angle))


def _longest(dark: NDArray[np.bool_]) -> tuple[int, int]:
    """Return where the longest run of True begins, and where it has ended; (0, 0) for none."""
    edges = np.flatnonzero(np.diff(dark, prepend=False, append=False))
    if not edges.size:
        return 0, 0
    k = int(np.argmax(edges[1::2] - edges[0::2]))
    return int(edges[2 * k]), int(edges[2 * k + 1])


def _last_positive(t: Floats, gap: Floats) -> Floats:
    """Return when each place's gap falls to zero, (A,); minus infinity where it is never above.

    At the last of the instants ``t`` (T,) all of ``gap`` (T, A) is at or below zero.
    """
    above = gap > 0
    last = np.minimum(t.size - 1 - np.argmax(above[::-1], axis=0), t.size - 2)
    k = np.arange(gap.shape[1])
    a, b = gap[last, k], gap[last + 1, k]
    ever = above.any(axis=0)
    part = np.divide(a, a - b, out=np.zeros_like(a), where=ever)
    return np.where(ever, t[last] + (t[last + 1] - t[last]) * part, -np.inf)


def _beads(
    name: str, epoch: Time, sign: float, goes: Floats, angle: Floats, total: bool
) -> list[Bead]:
    """Return the beads of one contact: places that are lit for longer than their neighbours.

    ``goes`` (A,) is when the light of a place goes, or the mountain on it if not ``total``, in
    seconds from ``epoch`` times ``sign``: towards the middle of the eclipse.
    """
    near = goes > goes.max() - BEADS_S
    lit = goes
    if not total:
        # Of a ring, what is lit first stands out; the crescent from which it grows always was.
        always = np.isneginf(goes)
        lit = np.where(always, 1.0 - goes[~always].min(), -goes)
        sign = -sign

    def instant(seconds: float) -> Time:
        return epoch + TimeDelta(sign * seconds, format="sec")

    peaks = _peaks(lit, near)
    crescent = [] if total else [int(lit.argmax())]
    around = sorted(peaks + crescent)
    found = []
    for i, k in enumerate(around):
        if k in crescent:
            continue
        # The lowest place on the way to the neighbours on either side is the last to part them.
        ways = [(k, around[(i + 1) % len(around)]), (around[i - 1], k)] if len(around) > 1 else []
        parted = max((_lowest(lit, *way) for way in ways), default=-np.inf)
        found.append(
            Bead(
                name,
                instant(lit[k]),
                float(angle[k]),
                instant(parted) if np.isfinite(parted) else None,
                appears=(name == "C3") is total,
            )
        )
    return found


def _lowest(out: Floats, start: int, end: int) -> float:
    """Return the smallest value on the way around from one place to another."""
    way = np.arange(start, end if end > start else end + out.size)
    return float(out[way % out.size].min())


def _peaks(out: Floats, near: NDArray[np.bool_]) -> list[int]:
    """Return the places, of those near, of the maxima that stand alone longest, around the circle.

    From the highest place down, each joins the groups beside it; where it joins two, the one with
    the lower peak has stood alone since that peak.
    """
    group: dict[int, int] = {}  # towards its peak
    alone: dict[int, float] = {}  # seconds

    def peak_of(k: int) -> int:
        while group[k] != k:
            group[k] = group[group[k]]
            k = group[k]
        return k

    for k in np.argsort(-out, kind="stable").tolist():
        if not np.isfinite(out[k]):
            break
        beside = {peak_of(j % out.size) for j in (k - 1, k + 1) if j % out.size in group}
        group[k] = k
        if not beside:
            continue
        highest, *lower = sorted(beside, key=lambda j: -out[j])
        group[k] = highest
        for j in lower:
            group[j] = highest
            alone[j] = out[j] - out[k]
    alone |= {k: np.inf for k in group if group[k] == k}
    kept = [k for k, time in alone.items() if time >= MERGED_S and near[k]]
    return sorted(sorted(kept, key=lambda k: (-alone[k], k))[:MOST_BEADS])
