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
STEP_S = 0.05
HIGHEST_ARCSEC = 10.0  # the Moon's relief stays within about 4 arcsec of the mean limb


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


@dataclass(frozen=True)
class Bead:
    """A stretch of photosphere seen through a valley.

    ``contact`` is C2 or C3. Of a bead at C2, ``time`` is when it goes out; at C3, when it appears.
    """

    contact: str
    time: Time
    position_angle: float


@dataclass(frozen=True)
class ProfileContacts:
    """C2 and C3 by a limb profile, and the beads in order of time."""

    second: Time
    third: Time
    beads: tuple[Bead, ...]


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
            f"{path}: heights should be arcsec from the mean limb; {np.abs(height).max():g} is too "
            "much for the Moon."
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
        Of a total eclipse at ``site``.
    site : Site
    profile : LimbProfile
        About the mean limb of ``radii.k_penumbra``.
    radii : Radii, optional
    ephemeris : str

    Raises
    ------
    LimbwardError
        If the eclipse is not total at the site, or no totality is left with this profile.

    Notes
    -----
    The photosphere shows at a position angle while the Sun's limb lies further from the Moon's
    centre there than the Moon's own limb does. C2 is when the last such place vanishes. A bead is
    a local maximum of the difference; it goes out when that falls below zero.
    """
    if circumstances.kind != "total":
        raise LimbwardError("A limb profile makes sense only where the eclipse is total.")
    angle = np.arange(0.0, 360.0, 0.1)
    height = profile.height(angle)
    found: dict[str, Time] = {}
    beads: list[Bead] = []
    for name, sign in (("C2", 1.0), ("C3", -1.0)):
        contact = circumstances.contacts[name].time
        # Time runs towards the middle of totality from either side.
        t = np.arange(-SPAN_S, SPAN_S / 2 + STEP_S / 2, STEP_S)
        gap = _gap(contact, sign * t, site, radii, ephemeris, angle, height)
        open_ = gap.max(axis=1) > 0
        if not open_.any() or open_[-1]:
            raise LimbwardError(
                f"With this limb profile the photosphere never vanishes around {name}: there is no "
                "totality then, and a filter has to stay on. Check that its heights are arcsec "
                "from the mean limb."
            )
        last = int(np.flatnonzero(open_)[-1])
        found[name] = contact + TimeDelta(sign * _crossing(t, gap.max(axis=1), last), format="sec")
        beads += _beads(name, contact, sign, t, gap, angle)
    beads.sort(key=lambda bead: float((bead.time - found["C2"]).to_value("s")))
    return ProfileContacts(found["C2"], found["C3"], tuple(beads))


def circumstances_json(
    circumstances: Circumstances, profiled: ProfileContacts | None = None
) -> dict[str, Any]:
    """Return circumstances as plain values, as in contacts.json.

    Parameters
    ----------
    circumstances : Circumstances
    profiled : ProfileContacts, optional
        Adds ``limb_profile``; the caution then heeds the duration that it gives, too.
    """
    found = circumstances.to_json_dict()
    if profiled is None:
        return found
    found |= {"limb_profile": profile_json(profiled)}
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


def _gap(
    contact: Time,
    seconds: Floats,
    site: Site,
    radii: Radii | None,
    ephemeris: str,
    angle: Floats,
    height: Floats,
) -> Floats:
    """Return by how much the Sun's limb overtops the Moon's, arcsec, shape (T, A)."""
    # A minute and a half of smooth motion: a parabola through ephemeris places 10 s apart.
    coarse = np.arange(seconds.min() - 1.0, seconds.max() + 11.0, 10.0)
    sky = view(contact + TimeDelta(coarse, format="sec"), site, radii=radii, ephemeris=ephemeris)

    def at(values: Floats) -> Floats:
        return np.polynomial.Polynomial.fit(coarse, values, 4)(seconds)[:, None]

    east, north = -at(sky.moon_east_arcsec), -at(sky.moon_north_arcsec)
    sun, moon = at(sky.sun_radius_arcsec), at(sky.moon_radius_arcsec)
    a = np.radians(angle)
    along = east * np.sin(a) + north * np.cos(a)
    across = east * np.cos(a) - north * np.sin(a)
    reach = along + np.sqrt(np.maximum(sun**2 - across**2, 0.0))
    return np.asarray(reach - moon - height)


def _crossing(t: Floats, values: Floats, last: int) -> float:
    """Return where values fall through zero after index ``last``."""
    a, b = values[last], values[last + 1]
    return float(t[last] + (t[1] - t[0]) * a / (a - b))


def _beads(
    name: str, contact: Time, sign: float, t: Floats, gap: Floats, angle: Floats
) -> list[Bead]:
    """Return the beads of one contact: places of the limb that go out after their neighbours."""
    # When each place goes out, NaN where it never shone in the span.
    shone = gap > 0
    last = shone.shape[0] - 1 - np.argmax(shone[::-1], axis=0)
    lit = shone.any(axis=0) & (last < shone.shape[0] - 1)
    out = np.full(angle.size, -np.inf)
    for k in np.flatnonzero(lit):
        out[k] = _crossing(t, gap[:, k], int(last[k]))
    found = []
    for k in np.flatnonzero(lit):
        before, after = out[k - 1], out[(k + 1) % angle.size]
        # A valley narrower than a tenth of a degree (1.6 arcsec of the limb) is not told apart.
        if out[k] > before and out[k] >= after and out[k] > -SPAN_S / 2:
            found.append(
                Bead(name, contact + TimeDelta(sign * out[k], format="sec"), float(angle[k]))
            )
    return found
