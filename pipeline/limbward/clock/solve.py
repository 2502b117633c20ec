"""What a camera's clock really did, solved from what its frames show.

The clock reads UTC + offset + drift x (hours since an epoch). A partial-phase frame fixes the true
time by the vector from the Sun's centre to the Moon's, which moves by about 0.5 arcsec a second;
a photographed clock or a GPS tag fixes it directly; totality lies between C2 and C3.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from limbward.clock.consensus import CONSENSUS_S
from limbward.clock.crescent_fit import fit_crescents
from limbward.clock.crescent_model import DRIFT_PRIOR
from limbward.clock.crescent_result import CrescentFit, Place
from limbward.clock.crescent_solve import SITE_CHI2
from limbward.clock.direct_fit import solve_direct
from limbward.clock.evidence import BEADS_S, EDGE_S, Crescents, Direct, TotalityEvidence
from limbward.clock.solution import ClockSolution, ahead, two_clocks
from limbward.sky.doubt import Doubt
from limbward.sky.track import SkyTrack

MOST_WRONG = 0.1  # of GPS tags and references; with more the others are not trusted blindly
CONTRADICTION_SIGMA = 4.0
CONTRADICTION_SHARE = 0.2  # of the frames of totality; fewer may be taken for it wrongly
MOVED_KM = 2.0  # a site found nearer is not spoken of
SURE_CHI2 = 25.0  # below, a site found elsewhere may be chance, and is said to be
COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def solve_clock(
    track: SkyTrack,
    *,
    crescents: Crescents | None = None,
    direct: Direct | None = None,
    covered: TotalityEvidence | None = None,
    rotates: bool | None = None,
    relief_arcsec: float = 0.0,
    doubt: Doubt | None = None,
) -> ClockSolution | None:
    """Solve for a clock's offset and drift, and for the plate scale and the camera's orientation.

    Parameters
    ----------
    track : SkyTrack
    crescents : Crescents, optional
    direct : Direct, optional
        GPS tags and photographed clocks.
    covered : TotalityEvidence, optional
        Used alone where there is neither of the others.
    rotates : bool or None
        Whether the field turns with the zenith (alt-azimuth mount, tripod); None tries both.
    relief_arcsec : float
        Error of the Moon's centre, common to all frames, by the mountains on its limb.
    doubt : Doubt, optional
        What is not known of site and air; without it, both are exact.

    Returns
    -------
    ClockSolution or None
        None if there is no evidence at all. What contradicts the rest is left out, and where two
        clocks remain the better one is taken, its error widened to cover the other; ``warnings``
        says so.
    """
    known = None
    if direct is not None and direct.valid().any():
        known = direct.of(direct.valid())
    seen = covered
    if seen is not None and not np.isfinite(seen.reading_s).any():
        seen = None
    if crescents is not None:
        fits = fit_crescents(track, crescents, known, rotates, relief_arcsec, doubt, seen)
        if fits:
            return _checked(_from_crescents(_choose(fits, seen), known), seen)
    if known is not None:
        return _checked(solve_direct(known, seen), seen)
    return None if seen is None else _solve_by_totality(seen)


def _choose(
    fits: list[CrescentFit], covered: TotalityEvidence | None
) -> tuple[CrescentFit, list[float]]:
    """Return the best of clocks that crescents allow, and the offsets of the others."""
    if covered is not None and len(fits) > 1:
        low, high, _ = covered.bounds_s()
        within = [f for f in fits if low - CONSENSUS_S < f.offset_s < high + CONSENSUS_S]
        if within:
            fits = within
    return fits[0], [f.offset_s for f in fits[1:]]


def _checked(solution: ClockSolution, covered: TotalityEvidence | None) -> ClockSolution:
    """Return the solution with totality as further evidence, or with a warning if it disagrees."""
    if covered is None or solution.steps:
        return solution
    room = CONTRADICTION_SIGMA * solution.offset_sigma_s
    beyond, stated_s = _beyond_s(solution, covered), solution.offset_sigma_s
    # A setting among crescents of some two hours is in the drift by as many seconds an hour.
    wider = solution.covariance + np.diag([beyond**2, beyond**2])
    solution = replace(solution, covariance=wider)
    outside = covered.outside_s(solution.offset_s, solution.drift_s_per_hour) > EDGE_S + room
    if outside.sum() < max(1.0, CONTRADICTION_SHARE * outside.size):
        doubts = [
            f"The frames that show totality fit a clock that is at least {beyond:.0f} s from the "
            "one that the crescents give; its error covers both. Check whether the clock was set "
            "during the session."
        ]
        return replace(
            solution,
            sources=(*solution.sources, "totality"),
            warnings=(*solution.warnings, *(doubts if beyond > stated_s else [])),
        )
    # Frames that contradict each other allow no clock error at all, so none is named.
    low, high, agrees = covered.bounds_s()
    told = (
        f"they allow a clock error from {low:.0f} to {high:.0f} s, time zone included"
        if agrees.all()
        else "they span more time than totality lasts here"
    )
    warning = (
        f"By this solution {int(outside.sum())} of {outside.size} frames that show totality were "
        f"taken outside it: {told}. Check the site's coordinates, and whether the clock was set "
        "during the session."
    )
    return replace(solution, warnings=(*solution.warnings, warning))


def _beyond_s(solution: ClockSolution, covered: TotalityEvidence) -> float:
    """Return how far the clock is from those by which totality fits, seconds.

    A setting between few crescents passes for drift: 20 s an hour put totality 15 s away from where
    its frames had it, at a stated 3.5. Where the site is in doubt, so is when totality was.
    """
    place = solution.place
    if place is not None and np.hypot(place.north_km, place.east_km) > MOVED_KM:
        return 0.0
    return covered.beyond_s(solution.offset_s)


def _from_crescents(
    chosen: tuple[CrescentFit, list[float]], direct: Direct | None
) -> ClockSolution:
    """Return the solution with what a person should know about it."""
    fit, rivals_s = chosen
    warnings = []
    more, more_drift = fit.pulled  # variance beyond the fit's
    if rivals_s:
        warnings.append(two_clocks("The crescents allow", fit.offset_s, rivals_s[0]))
        if fit.direct_used.any() or (direct is not None and not fit.direct_used.all()):
            warnings[0] = two_clocks(
                "The crescents, GPS tags and reference shots together allow",
                fit.offset_s,
                rivals_s[0],
            )
        more += max((fit.offset_s - other) ** 2 for other in rivals_s)
    if fit.direct_used.any() and np.mean(~fit.direct_used) > MOST_WRONG:
        # Where many are wrong others may be that do not show it.
        more += (fit.offset_s - fit.alone_s) ** 2
    if fit.steps:
        warnings.append(_settings(fit))
    if fit.place is not None:
        warnings += place_words(fit.place)
    elsewhere = int(np.sum(~fit.inside))
    if elsewhere:
        warnings.append(
            f"{elsewhere} of {fit.used.size} partial frames were not used for the clock: by its "
            "solution they were taken hours from the eclipse, or the Moon's bite is too small to "
            "measure. They are listed under disagreeing in clock.json."
        )
    left_out = fit.used.size - int(fit.used.sum())
    if left_out > 0.3 * fit.used.size:
        warnings.append(
            f"{left_out} of {fit.used.size} partial frames disagree with the clock solution; look "
            "at their limbs in the report, and check whether the clock was set more than once."
        )
    apart = int(np.sum(~fit.direct_used))
    if direct is not None and apart:
        raw = direct.reading_s + 0.5 * direct.resolution_s - direct.since_greatest_s
        warnings.append(
            f"{apart} of {direct.order.size} GPS tags and reference shots say that the clock reads "
            f"{ahead(float(np.median(raw[~fit.direct_used])))}, the crescents "
            f"{ahead(fit.offset_s)}; the crescents are believed. Check timing.references in the "
            "config, and the site's coordinates."
        )
    return ClockSolution(
        offset_s=fit.offset_s,
        drift_s_per_hour=fit.drift_s_per_hour,
        covariance=fit.covariance + np.diag([more, more_drift]),
        sources=("crescents", "direct") if fit.direct_used.any() else ("crescents",),
        warnings=tuple(warnings),
        steps=tuple(
            replace(step, covariance=step.covariance + np.diag([more, more_drift]))
            for step in fit.steps
        ),
        place=fit.place,
        orientation=fit.orientation,
        scale_sigma_arcsec=fit.scale_sigma_arcsec,
        up_sigma_deg=fit.up_sigma_deg,
        rotates=fit.rotates,
        residual_s=fit.residual_s,
        used=fit.used,
        inside=fit.inside,
        own_s=fit.own_s,
        own_sigma_s=fit.own_sigma_s,
        cost=fit.cost,
    )


def _settings(fit: CrescentFit) -> str:
    """Return what was found of the clock's settings."""
    by = [f"{step.seconds:+.1f} s" for step in fit.steps]
    if len(by) == 1:
        return (
            f"The clock was set {'forward' if fit.steps[0].seconds > 0 else 'back'} by "
            f"{abs(fit.steps[0].seconds):.1f} s between two partial frames. Times on both sides "
            "are corrected; for frames between those two, what they show and the order of names "
            "decide, and their errors say how well."
        )
    return (
        f"The clock was set {len(by)} times during the session, by {', '.join(by)} between partial "
        "frames. Times are corrected piece by piece; for frames between two pieces, what they show "
        "and the order of their names decide, and their errors say how well."
    )


def place_words(place: Place) -> list[str]:
    """Return a warning if crescents put the camera elsewhere than the site is stated.

    From where the clock's error allows for another site, or else it would be large without a word.
    """
    far = float(np.hypot(place.north_km, place.east_km))
    if far < MOVED_KM or place.worse <= SITE_CHI2:
        return []
    chance = ""
    if place.worse < SURE_CHI2:  # of two coordinates: chi-square with two degrees of freedom
        chance = f" By chance they would do so on one card in {np.exp(0.5 * place.worse):.0f}."
    bearing = float(np.degrees(np.arctan2(place.east_km, place.north_km)) % 360.0)
    towards = COMPASS[round(bearing / 45.0) % 8]
    values, vectors = np.linalg.eigh(place.covariance)
    along = float(np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1])) % 180.0)
    return [
        f"The crescents fit a site about {far:.0f} km {towards} of the one in the config (bearing "
        f"{bearing:.0f} degrees, known to {np.sqrt(values[0]):.1f} km across and "
        f"{np.sqrt(values[1]):.0f} km along bearing {along:.0f} degrees, the direction in which "
        "another place looks like another clock)."
        + chance
        + " The clock's error allows for that. Check site in the config: the signs and digits of "
        "latitude and longitude."
    ]


def _solve_by_totality(c: TotalityEvidence) -> ClockSolution:
    """Return the offset that puts totality between C2 and C3 and the beads around them."""
    # Frames of the diamond ring may have been taken for totality, or totality for beads.
    for edge_s in (BEADS_S, 2 * BEADS_S, EDGE_S):
        low, high, agrees = c.bounds_s(edge_s)
        if agrees.all():
            break
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    warnings = [
        f"Only frames around totality show the time: the clock's error lies between {low:.0f} and "
        f"{high:.0f} s, time zone included; the middle is taken. Photograph a partial phase, a GPS "
        "clock or a time signal to do better."
    ]
    # Where totality begins for a camera is known to a few seconds only.
    sigma = max(half / np.sqrt(3.0), 0.5 * BEADS_S)
    if not agrees.all():
        warnings[0] = (
            "The frames that show totality span more time than totality lasts here: check the "
            "site, and whether the clock was set during the session. The clock's error is that of "
            f"the {int(agrees.sum())} of {agrees.size} frames that agree, {low:.0f} to "
            f"{high:.0f} s."
        )
        # Any of the frames may be the ones that are right.
        times = c.reading_s[np.isfinite(c.reading_s)]
        sigma = max(sigma, float(np.ptp(times)))
    return ClockSolution(
        middle, 0.0, np.diag([sigma**2, DRIFT_PRIOR**2]), ("totality",), tuple(warnings)
    )
