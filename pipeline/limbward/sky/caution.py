"""The words of caution that stand wherever contact times are shown: they have this one owner.

What is right for a total eclipse is dangerous in an annular one, which has beads too, so the words
depend on the kind of the eclipse at the site. Where the kind is not known, `GENERAL` says both.

References
----------
ISO 12312-2 is the standard of filters for looking at the Sun directly. That the filter stays on
until the last bead has gone and is put back at the first sign of the returning photosphere is
common practice among observers of eclipses, as are certified filters in front of all optics.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

# The relief of the Moon's limb stays within about 4 arcsec of the mean limb; a kilometre on the
# ground moves the Moon by about half an arcsecond. So this is the relief, or 8 km.
EDGE_ARCSEC = 4.0
SUN_DIAMETER_ARCSEC = 1919.0  # at one astronomical unit; 1.7 % either way in the course of a year
SHORT_S = 10.0  # of totality, which valleys of the limb can fill with beads to the last second

NEVER_TOTAL = (
    "At this site the Sun is never totally covered: the filter stays on from first to last contact."
)
TOTAL = (
    "Keep the filter on until the last bead has gone; put it back at the first sign of returning "
    "sunlight."
)
EDGE = (
    "This site is near the edge of totality, where the Moon's mountains and the site's coordinates "
    "decide whether totality happens at all: plan to keep the filter on from first to last contact."
)
TIMES = (
    "The computed times carry seconds of uncertainty from the mountains and valleys of the lunar "
    "limb, and more if the coordinates or your watch are wrong: they are no signal to take a "
    "filter off, nor to leave it off."
)
FILTERS = (
    "Eyes, lens, finder scope, binoculars and sensor each need a certified solar filter in front "
    "of them; eclipse glasses (ISO 12312-2) do not protect an eye that looks through optics."
)
DEFER = "Local rules and the advice of experienced observers at the site come first."

_ALWAYS = f"{TIMES} {FILTERS} {DEFER}"
GENERAL = (
    "Where the eclipse is partial or annular, the Sun is never totally covered: the filter stays "
    "on from first to last contact. Where it is total, keep the filter on until the last bead has "
    "gone; put it back at the first sign of returning sunlight. Near the edge of the path the "
    "Moon's mountains and the site's coordinates decide whether totality happens at all: plan to "
    f"keep the filter on. {_ALWAYS}"
)


def caution(circumstances: Mapping[str, Any]) -> str:
    """Return the words of caution for an eclipse at a site.

    Parameters
    ----------
    circumstances : mapping
        As in contacts.json: ``kind`` (total, annular, partial, none), and where they are known
        ``magnitude`` (of the Sun's diameter), ``moon_sun_ratio``, ``duration_s`` (seconds) and
        ``limb_profile`` or ``real_limb`` with its own.

    Returns
    -------
    str
        `GENERAL` where the kind is not known.

    Examples
    --------
    >>> from limbward.sky.caution import caution
    >>> caution({"kind": "annular"}).split(":")[0]
    'At this site the Sun is never totally covered'
    """
    kind = circumstances.get("kind")
    if kind is None:
        return GENERAL
    if near_edge(circumstances):
        return f"{EDGE} {_ALWAYS}"
    return f"{TOTAL if kind == 'total' else NEVER_TOTAL} {_ALWAYS}"


def near_edge(circumstances: Mapping[str, Any]) -> bool:
    """Return whether relief and coordinates, rather than the computation, decide on totality.

    Totality of under ten seconds is so, and any site whose discs at greatest eclipse are within 4
    arcsec of just covering, on either side.

    Parameters
    ----------
    circumstances : mapping
        As for `caution`.
    """
    kind = circumstances.get("kind")
    limbs = (circumstances, *(circumstances.get(k) or {} for k in ("limb_profile", "real_limb")))
    for duration in (limb.get("duration_s") for limb in limbs):
        if kind == "total" and duration is not None and duration < SHORT_S:
            return True
    magnitude, ratio = circumstances.get("magnitude"), circumstances.get("moon_sun_ratio")
    if magnitude is None or kind not in ("total", "partial", "annular"):
        return False
    within = EDGE_ARCSEC / SUN_DIAMETER_ARCSEC
    # Inside an annular path the magnitude is near 1 too, but the Moon is too small to cover.
    if ratio is not None and ratio < 1.0 - 2.0 * within:
        return False
    return bool(abs(magnitude - 1.0) < within)
