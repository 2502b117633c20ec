"""What a camera's clock really did, solved from what its frames show.

The clock reads UTC + offset + drift x (hours since an epoch). A partial-phase frame fixes the true
time by the vector from the Sun's centre to the Moon's, which moves by about 0.5 arcsec a second;
a photographed clock or a GPS tag fixes it directly; totality lies between C2 and C3.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from limbward.clock.consensus import CONSENSUS_S
from limbward.clock.crescent_fit import CrescentFit, fit_crescents
from limbward.clock.crescent_model import DRIFT_PRIOR
from limbward.clock.direct_fit import solve_direct
from limbward.clock.evidence import BEADS_S, Covered, Crescents, Direct
from limbward.clock.solution import ClockSolution, ahead, two_clocks
from limbward.sky.track import SkyTrack

CONTRADICTION_SIGMA = 4.0


def solve_clock(
    track: SkyTrack,
    *,
    crescents: Crescents | None = None,
    direct: Direct | None = None,
    covered: Covered | None = None,
    rotates: bool | None = None,
    relief_arcsec: float = 0.0,
) -> ClockSolution | None:
    """Solve for a clock's offset and drift, and for the plate scale and the camera's orientation.

    Parameters
    ----------
    track : SkyTrack
    crescents : Crescents, optional
    direct : Direct, optional
        GPS tags and photographed clocks.
    covered : Covered, optional
        Used alone where there is neither of the others.
    rotates : bool or None
        Whether the field turns with the zenith (alt-azimuth mount, tripod); None tries both.
    relief_arcsec : float
        Error of the Moon's centre, common to all frames, by the mountains on its limb.

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
        fits = fit_crescents(track, crescents, known, rotates, relief_arcsec)
        if fits:
            return _checked(_from_crescents(_choose(fits, seen), known), seen)
    if known is not None:
        return _checked(solve_direct(known, seen), seen)
    return None if seen is None else _solve_covered(seen)


def _choose(fits: list[CrescentFit], covered: Covered | None) -> tuple[CrescentFit, float | None]:
    """Return the better of clocks that crescents allow, and the offset of the next."""
    if len(fits) == 1:
        return fits[0], None
    order = sorted(range(len(fits)), key=lambda k: (-int(fits[k].direct_used.sum()), k))
    best, other = fits[order[0]], fits[order[1]]
    if best.direct_used.sum() > other.direct_used.sum():
        return best, None
    if covered is not None:
        low, high, _ = covered.bounds_s()
        within = [k for k in order if low - CONSENSUS_S < fits[k].offset_s < high + CONSENSUS_S]
        if len(within) == 1:
            return fits[within[0]], None
        if within:
            best, other = fits[within[0]], fits[within[1]]
    return best, other.offset_s


def _checked(solution: ClockSolution, covered: Covered | None) -> ClockSolution:
    """Return the solution with totality as further evidence, or with a warning if it disagrees."""
    if covered is None or solution.step is not None:
        return solution
    low, high, agrees = covered.bounds_s()
    room = CONTRADICTION_SIGMA * solution.offset_sigma_s + 1.0
    if agrees.all() and low - room <= solution.offset_s <= high + room:
        return replace(solution, sources=(*solution.sources, "totality"))
    # Frames that contradict each other allow no clock error at all, so none is named.
    told = (
        f"they allow a clock error from {low:.0f} to {high:.0f} s, time zone included"
        if agrees.all()
        else "they span more time than totality lasts here"
    )
    warning = (
        f"By this solution frames that show totality were taken outside it: {told}. Check the "
        "site's coordinates, and whether the clock was set during the session."
    )
    return replace(solution, warnings=(*solution.warnings, warning))


def _from_crescents(
    chosen: tuple[CrescentFit, float | None], direct: Direct | None
) -> ClockSolution:
    """Return the solution with what a person should know about it."""
    fit, rival_s = chosen
    warnings = []
    covariance = fit.covariance[:2, :2].copy()
    if rival_s is not None:
        warnings.append(two_clocks("The crescents allow", fit.offset_s, rival_s))
        covariance[0, 0] += (fit.offset_s - rival_s) ** 2
    if fit.step is not None:
        warnings.append(
            f"The clock was set during the session: from one partial frame to the next it reads "
            f"{abs(fit.step.seconds):.1f} s {'more' if fit.step.seconds > 0 else 'less'} than it "
            "should. Times on both sides are corrected; frames between those two are taken to be "
            "from before the change."
        )
    elsewhere = int(np.sum(~fit.inside))
    if elsewhere:
        warnings.append(
            f"{elsewhere} of {fit.used.size} partial frames count for nothing in the clock "
            "solution: by it they were taken hours from the eclipse, or they hold no usable "
            "measurement. They are named under disagreeing in clock.json."
        )
    left_out = fit.used.size - int(fit.used.sum())
    if left_out > 0.3 * fit.used.size:
        warnings.append(
            f"{left_out} of {fit.used.size} partial frames disagree with the clock solution; look "
            "at their limbs in the report, and at whether the clock was set more than once."
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
        covariance=covariance,
        sources=("crescents", "direct") if fit.direct_used.any() else ("crescents",),
        warnings=tuple(warnings),
        step=fit.step,
        orientation=fit.orientation,
        scale_sigma_arcsec=fit.scale_sigma_arcsec,
        up_sigma_deg=fit.up_sigma_deg,
        rotates=fit.rotates,
        residual_s=fit.residual_s,
        used=fit.used,
        inside=fit.inside,
    )


def _solve_covered(c: Covered) -> ClockSolution:
    """Return the offset that puts totality between C2 and C3 and the beads around them."""
    low, high, agrees = c.bounds_s()
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
