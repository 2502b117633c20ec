"""All stations on one timeline, and clocks checked by contacts that several stations saw.

Second and third contact come to each place at a time of its own, which the ephemeris and the
Moon's limb predict. Whatever is wrong with the prediction (the Sun's radius, UT1) is wrong for all
stations together; a station whose contacts alone come early or late has a wrong clock or a wrong
site.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, inf, isfinite, nan

import numpy as np

from limbward.campaign.view import Floats

BEYOND = 4.0  # standard errors, from which a contact counts as being off
PREDICTED_S = 0.5  # of a predicted contact: site, limb and air of a good station
FEWEST = 3  # stations that must have seen a contact to tell what is common
# In a minute what moves at 700 km/s goes as far as half of a blob is wide.
TIMED_S = 60.0
LONG_S = 1.5  # by which totality may last longer or shorter than predicted, as a site 1 km off does


@dataclass(frozen=True)
class Seen:
    """What a station's frames say of a contact, by its own corrected clock.

    Attributes
    ----------
    station : str
    contact : {'C2', 'C3'}
    earliest, latest : float
        Between which it was, seconds from the predicted time; infinite where no frame tells.
    clock_sigma_s : float
        Of the clock; NaN if not known.
    """

    station: str
    contact: str
    earliest: float
    latest: float
    clock_sigma_s: float


@dataclass(frozen=True)
class Checked:
    """A contact against what all stations have in common.

    Attributes
    ----------
    station, contact : str
    off_s : float
        By how much the station's clock puts it early (negative) or late at least, seconds.
    sigma_s : float
        Standard error of that.
    """

    station: str
    contact: str
    off_s: float
    sigma_s: float

    @property
    def fits(self) -> bool:
        """Whether the contact is where the others say."""
        return abs(self.off_s) <= BEYOND * self.sigma_s


def bracket(
    begins: Floats, ends: Floats, total: Sequence[bool], shines: Sequence[bool], contact: str
) -> tuple[float, float]:
    """Return between what times a contact was, from frames with and without the Sun's disc.

    Parameters
    ----------
    begins, ends : ndarray, shape (N,)
        Of exposures, seconds from the predicted contact; NaN where not known.
    total, shines : sequence of bool
        Whether a frame shows totality, or a part of the Sun's disc.
    contact : {'C2', 'C3'}

    Returns
    -------
    earliest, latest : float
        Infinite where no frame tells.

    Examples
    --------
    >>> begins = np.array([-20.0, -3.0, 1.0])
    >>> bracket(begins, begins + 0.5, [False, False, True], [True, True, False], "C2")
    (-3.0, 1.0)
    """
    seen, light = np.asarray(total, bool), np.asarray(shines, bool)
    known = np.isfinite(begins) & np.isfinite(ends)
    seen, light = seen & known, light & known
    if not seen.any():
        return -inf, inf
    if contact == "C2":
        # A frame that began before totality may have ended in it: its begin alone counts.
        latest = float(begins[seen].min())
        before = begins[light & (begins < latest)]
        return (float(before.max()) if before.size else -inf), latest
    earliest = float(ends[seen].max())
    after = ends[light & (ends > earliest)]
    return earliest, (float(after.min()) if after.size else inf)


def check_contacts(seen: Sequence[Seen]) -> list[Checked]:
    """Return each contact against what the stations have in common.

    The common offset is the place that is least outside all intervals, by the sum of distances in
    standard errors, each counted up to `BEYOND`. With fewer than three stations it is zero.
    """
    out: list[Checked] = []
    for contact in ("C2", "C3"):
        mine = [
            s for s in seen
            if s.contact == contact
            and isfinite(s.clock_sigma_s)
            and (isfinite(s.earliest) or isfinite(s.latest))
        ]  # fmt: skip
        common = _common(mine) if len(mine) >= FEWEST else 0.0
        for s in mine:
            sigma = hypot(s.clock_sigma_s, PREDICTED_S)
            out.append(Checked(s.station, contact, -_outside(common, s), sigma))
    return out


def _outside(place: float, s: Seen) -> float:
    """Return how far a place lies after (positive) or before an interval, 0 within."""
    return max(0.0, place - s.latest) - max(0.0, s.earliest - place)


def _common(seen: Sequence[Seen]) -> float:
    ends = sorted({e for s in seen for e in (s.earliest, s.latest) if isfinite(e)} | {0.0})

    def cost(place: float) -> float:
        return sum(
            min(abs(_outside(place, s)) / hypot(s.clock_sigma_s, PREDICTED_S), BEYOND) for s in seen
        )

    costs = np.array([cost(e) for e in ends])
    best = [e for e, c in zip(ends, costs, strict=True) if c <= costs.min() + 1e-9]
    # Of places as good, the one nearest to the prediction, or between if it lies between.
    if best[0] <= 0.0 <= best[-1]:
        return 0.0
    return min(best, key=abs)


def length_off_s(second: tuple[float, float], third: tuple[float, float]) -> float:
    """Return by how much totality lasted longer (positive) or shorter than predicted at least.

    No clock is in this, since an offset moves both contacts: it tells a wrong site.

    Parameters
    ----------
    second, third : (float, float)
        See `bracket`.
    """
    shortest = third[0] - second[1]
    longest = third[1] - second[0]
    if isfinite(shortest) and shortest > 0.0:
        return shortest
    if isfinite(longest) and longest < 0.0:
        return longest
    return 0.0 if isfinite(shortest) or isfinite(longest) else nan


def site_fault(length_s: float, kind: str, shows_totality: bool) -> str:
    """Return what tells that a station's site is wrong, in a sentence; empty if nothing does.

    Parameters
    ----------
    length_s : float
        See `length_off_s`.
    kind : str
        Of the eclipse that its site should have seen.
    shows_totality : bool
        Whether its frames show totality.
    """
    if shows_totality and kind and kind != "total":
        return (
            f"Its frames show totality, but at its site the eclipse was {kind}: the site is wrong."
        )
    if isfinite(length_s) and abs(length_s) > LONG_S:
        than = "longer" if length_s > 0 else "shorter"
        return (
            f"Totality lasted at least {abs(length_s):.1f} s {than} in its frames than at its "
            "site: the site is wrong."
        )
    return ""


def clock_fault(checked: Sequence[Checked]) -> str:
    """Return how a station's contacts disagree with the others', empty if they do not.

    Parameters
    ----------
    checked : sequence of Checked
        Of this station.
    """
    wrong = [c for c in checked if not c.fits]
    if not wrong:
        return ""
    told = ", ".join(
        f"{c.contact} {abs(c.off_s):.1f} ± {c.sigma_s:.1f} s {'late' if c.off_s > 0 else 'early'}"
        for c in wrong
    )
    return f"Against the other stations its clock has {told}: its clock or its site is wrong."


def untimed(checked: Sequence[Checked], site: str, clock_sigma_s: float) -> str:
    """Return why a station does not say when something moved, in a sentence; empty if it does.

    A clock is set by what the site should have seen, so where the site is wrong the clock is, too,
    and agrees with itself.

    Parameters
    ----------
    checked : sequence of Checked
        Of this station.
    site : str
        See `site_fault`.
    clock_sigma_s : float
        NaN if its clock is not known.
    """
    if site:
        why = "by a wrong site"
    elif not isfinite(clock_sigma_s):
        why = "since its clock is not known"
    elif clock_sigma_s > TIMED_S or any(abs(c.off_s) > TIMED_S for c in checked):
        why = f"to {TIMED_S:.0f} s"
    else:
        return ""
    return f"Its times cannot be relied on {why}; it is left out of what moved."
