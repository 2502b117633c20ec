"""The Moon's limb at the contacts: a chart of each, and the table of beads."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from limbward.report import charts
from limbward.report.material import ContactLimb, Material
from limbward.report.section import Section
from limbward.report.static import plot
from limbward.report.wording import counted, listed, parse_utc, time_text
from limbward.sky.best_limb import BestLimb
from limbward.sky.ephemeris import Site
from limbward.sky.wording import (
    bead_alone,
    bead_valley,
    bead_words,
    covering_words,
    uneven_limb,
)

FRAMES = 3  # that a row of the table names
OUTSIDE_S = 5.0  # of a contact: most beads still stand then


def contact_limbs(limb: BestLimb, site: Site, ephemeris: str = "de421") -> list[ContactLimb]:
    """Return the limbs of Moon and Sun around C2 and C3, with the beads' places.

    Parameters
    ----------
    limb : BestLimb
    site : Site
    ephemeris : str
    """
    found = []
    sides = (("C2", "before", -OUTSIDE_S), ("C3", "after", OUTSIDE_S))
    for (name, when, seconds), time, angle in zip(
        sides, limb.central, limb.around_contacts(), strict=True
    ):
        moon = limb.profile.height(angle)
        at, outside = limb.sun_over(time, np.array([0.0, seconds]), site, ephemeris, angle) + moon
        suns = {
            f"the Sun's limb at {name}": at,
            f"{OUTSIDE_S:g} s {when} {name}": outside,
        }
        found.append(ContactLimb(name, angle, moon, suns))
    return found


def limb_section(material: Material) -> Section | None:
    """Return the limb at the contacts; None without one."""
    limb = material.moon_limb
    if limb is None:
        return None
    kind = str(material.contacts.get("kind"))
    shows = "Where the Sun's limb stands above the Moon's, photosphere shows."
    sentences = [
        f"Heights of {limb.by} above the Moon's mean limb, with the Sun's limb at each contact "
        f"and a few seconds before the second and after the third. {shows}"
    ]
    if not limb.measured:
        sentences.append(
            "Run limbward strip to find the beads in the photographs; they are then shown here."
        )
    elif not limb.found:
        sentences.append("No bead was found in the photographs.")
    drawn = []
    for contact in limb.contacts:
        due = [b for b in limb.beads if b["contact"] == contact.name]
        found = [b for b in limb.found if b["contact"] == contact.name]
        places = listed([f"{b['position_angle']:.1f}°" for b in due], 8) or "none"
        alt = (
            f"Height of the Moon's limb at {contact.name} against position angle, from "
            f"{contact.moon_arcsec.min():+.1f} to {contact.moon_arcsec.max():+.1f} arcsec; beads "
            f"by {limb.by}: {places}; {counted(len(found), 'bead')} found in photographs."
        )
        chart = charts.moon_limb_chart(limb, contact, bead_words(kind, contact.name), alt)
        caption = f"The limbs of Moon and Sun at {contact.name}."
        drawn.append(plot([chart], f"limb-{contact.name}", alt, caption, wide=True))
    return Section(sentences, drawn)


def bead_rows(material: Material) -> list[dict[str, str]]:
    """Return C2, C3 and the beads in order of time, each with the frames that show it."""
    limb = material.moon_limb
    if limb is None:
        return []
    kind = str(material.contacts.get("kind"))
    words = covering_words(kind)
    made = uneven_limb(material.contacts)[1]
    blank = dict.fromkeys(("angle", "alone", "valley", "seen"), "")
    rows = [blank | {"utc": made[n], "what": f"{n}: {words[n]}"} for n in ("C2", "C3") if n in made]
    for bead in limb.beads:
        rows.append(
            {
                "utc": bead["utc"],
                "what": f"a bead {bead_words(kind, bead['contact'])}",
                "angle": f"{bead['position_angle']:.1f}°",
                "alone": bead_alone(bead),
                "valley": bead_valley(bead),
                "seen": "; ".join(_seen(s) for s in bead.get("seen", ())[:FRAMES])
                + _more(len(bead.get("seen", ())) - FRAMES),
            }
        )
    # The bead that is a contact stands on its outer side.
    order = {"C2": 2, "C3": 0}
    rows.sort(key=lambda row: (parse_utc(row["utc"]), order.get(row["what"][:2], 1)))
    return [row | {"time": time_text(parse_utc(row["utc"]))} for row in rows]


def _seen(frame: Mapping[str, Any]) -> str:
    name = str(frame["file"]).rsplit("/", 1)[-1]
    off = f"{frame['off_deg']:+.2f}".replace("-", "−")
    time = time_text(parse_utc(frame["utc"]))
    return f"{name} at {time}: {frame['position_angle']:.1f}° ({off}°)"


def _more(count: int) -> str:
    return f" and {count} more" if count > 0 else ""
