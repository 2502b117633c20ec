"""What a camera's clock really did, solved from what its frames show.

The clock reads UTC + offset + drift x (hours since an epoch). A partial-phase frame fixes the true
time by the vector from the Sun's centre to the Moon's, which moves by about 0.5 arcsec a second;
a photographed clock or a GPS tag fixes it directly; totality lies between C2 and C3.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from limbward.camera.crescent_fit import (
    DRIFT_PRIOR,
    SEED,
    CrescentFit,
    Step,
    fit_crescents,
    log_direct,
)
from limbward.camera.evidence import BEADS_S, Covered, Crescents, Direct
from limbward.camera.posterior import sample_posterior
from limbward.sky.orientation import Orientation
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

QUARTER_HOUR_S = 900.0
DAY_S = 86400.0
CONTRADICTION_SIGMA = 4.0


@dataclass(frozen=True)
class ClockSolution:
    """A camera clock and, where crescents were seen, how the camera was turned.

    ``offset_s`` is reading minus UTC at the epoch, time zone included, before any ``step``.
    ``covariance`` (2, 2) is that of offset and drift. Residuals are in seconds of time, one a
    crescent, positive where the clock read late; those of frames not ``used`` count for nothing.
    """

    offset_s: float
    drift_s_per_hour: float
    covariance: Floats
    sources: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    step: Step | None = None
    orientation: Orientation | None = None
    scale_sigma_arcsec: float = float("nan")
    up_sigma_deg: float = float("nan")
    rotates: bool = False
    residual_s: Floats = field(default_factory=lambda: np.zeros(0))
    used: Mask = field(default_factory=lambda: np.zeros(0, bool))

    @property
    def offset_sigma_s(self) -> float:
        """Standard error of the offset at the epoch, seconds."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def drift_sigma_s_per_hour(self) -> float:
        """Standard error of the drift, seconds an hour."""
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def residual_rms_s(self) -> float:
        """Root mean square of the residuals of the frames used, seconds; NaN without any."""
        left = self.residual_s[self.used]
        return float(np.sqrt(np.mean(left**2))) if left.size else float("nan")

    def utc_s(
        self, reading_s: Floats, resolution_s: Floats | float, order: Floats | None = None
    ) -> Floats:
        """Return UTC seconds from the epoch for clock readings (middle of their resolution).

        ``order`` tells which frames came after a step; without it, none did.
        """
        reading = np.asarray(reading_s) + 0.5 * np.asarray(resolution_s) - self.offset_s
        if self.step is not None and order is not None:
            reading = reading - self.step.seconds * (order > self.step.after)
        return np.asarray(reading / (1.0 + self.drift_s_per_hour / 3600.0))

    def sigma_s(self, reading_s: Floats, resolution_s: Floats | float) -> Floats:
        """Return the standard error of `utc_s`: the fit's, and what the tag leaves open."""
        hours = self.utc_s(reading_s, resolution_s) / 3600.0
        c = self.covariance
        fit = c[0, 0] + 2.0 * hours * c[0, 1] + hours**2 * c[1, 1]
        return np.asarray(np.sqrt(fit + np.asarray(resolution_s) ** 2 / 12.0))


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
        None if there is no evidence at all.
    """
    known = direct if direct is not None and direct.reading_s.size else None
    if crescents is not None and crescents.reading_s.size >= 3:
        fit = fit_crescents(track, crescents, known, rotates, relief_arcsec)
        if fit is not None:
            return _checked(_from_crescents(fit, known is not None), covered)
    if known is not None:
        return _checked(_solve_direct(known), covered)
    if covered is not None and covered.reading_s.size:
        return _solve_covered(covered)
    return None


def _checked(solution: ClockSolution, covered: Covered | None) -> ClockSolution:
    """Return the solution with totality as further evidence, or with a warning if it disagrees."""
    if covered is None or not covered.reading_s.size or solution.step is not None:
        return solution
    low, high = covered.bounds_s()
    room = CONTRADICTION_SIGMA * solution.offset_sigma_s + 1.0
    if low - room <= solution.offset_s <= high + room:
        return replace(solution, sources=(*solution.sources, "totality"))
    warning = (
        f"By this solution frames that show totality were taken outside it: they allow a clock "
        f"error from {low:.0f} to {high:.0f} s, time zone included. Check the site's coordinates, "
        "and whether the clock was set during the session."
    )
    return replace(solution, warnings=(*solution.warnings, warning))


def _from_crescents(fit: CrescentFit, with_direct: bool) -> ClockSolution:
    """Return the solution with what a person should know about it."""
    warnings = []
    if fit.step is not None:
        warnings.append(
            f"The clock was set during the session: from one partial frame to the next it reads "
            f"{abs(fit.step.seconds):.1f} s {'more' if fit.step.seconds > 0 else 'less'} than it "
            "should. Times on both sides are corrected; frames between those two are taken to be "
            "from before the change."
        )
    left_out = fit.used.size - int(fit.used.sum())
    if left_out > 0.3 * fit.used.size:
        warnings.append(
            f"{left_out} of {fit.used.size} partial frames disagree with the clock solution; look "
            "at their limbs in the report, and at whether the clock was set more than once."
        )
    return ClockSolution(
        offset_s=fit.offset_s,
        drift_s_per_hour=fit.drift_s_per_hour,
        covariance=fit.covariance[:2, :2],
        sources=("crescents", "direct") if with_direct else ("crescents",),
        warnings=tuple(warnings),
        step=fit.step,
        orientation=fit.orientation,
        scale_sigma_arcsec=fit.scale_sigma_arcsec,
        up_sigma_deg=fit.up_sigma_deg,
        rotates=fit.rotates,
        residual_s=fit.residual_s,
        used=fit.used,
    )


def _solve_direct(d: Direct) -> ClockSolution:
    """Return offset and drift from instants known directly, each taken as the interval it is."""
    hours = d.utc_s / 3600.0
    raw = d.reading_s + 0.5 * d.resolution_s - d.utc_s
    middle = float(np.median(raw))
    spread = max(float(np.median(np.abs(raw - middle))), 0.1)

    def log_density(points: Floats) -> Floats:
        miss = raw - points[:, :1] - points[:, 1:2] * hours
        return np.asarray(log_direct(d, miss).sum(axis=1) - 0.5 * (points[:, 1] / DRIFT_PRIOR) ** 2)

    lever = max(float(np.std(hours)), spread / DRIFT_PRIOR)
    start = np.diag([spread**2, min((spread / lever) ** 2, DRIFT_PRIOR**2)])
    mean, covariance, _ = sample_posterior(
        log_density, np.array([middle, 0.0]), start, np.random.default_rng(SEED)
    )
    return ClockSolution(float(mean[0]), float(mean[1]), covariance, ("direct",))


def _solve_covered(c: Covered) -> ClockSolution:
    """Return the offset that puts totality between C2 and C3 and the beads around them."""
    low, high = c.bounds_s()
    middle, half = 0.5 * (low + high), 0.5 * abs(high - low)
    warning = (
        f"Only frames around totality show the time: the clock's error lies between {low:.0f} and "
        f"{high:.0f} s, time zone included; the middle is taken. Photograph a partial phase, a GPS "
        "clock or a time signal to do better."
    )
    if high < low:
        warning = (
            "The frames that show totality span more time than totality lasts here: check the "
            "site, and whether the clock was set during the session."
        )
    # Where totality begins for a camera is known to a few seconds only.
    sigma = max(half / np.sqrt(3.0), 0.5 * BEADS_S)
    return ClockSolution(
        middle, 0.0, np.diag([sigma**2, DRIFT_PRIOR**2]), ("totality",), (warning,)
    )


def split_zone(offset_s: float, hint_hours: float | None = None) -> tuple[int, float, float]:
    """Split an offset into days, a time zone and what the clock is fast by.

    Parameters
    ----------
    offset_s : float
        Reading minus UTC.
    hint_hours : float, optional
        Zone the frames or the config claim.

    Returns
    -------
    days : int
        By which the date is wrong.
    hours, rest_s : float
        The hint if it leaves less than a quarter of an hour; else the nearest whole hour if that
        leaves at most 10 minutes, else the nearest quarter hour (zones of :30 and :45 exist).
        Zones run from UTC-12 to UTC+14; what is beyond counts as days.
    """
    for days in (0, round((offset_s - (hint_hours or 0.0) * 3600.0) / DAY_S)):
        if hint_hours is not None:
            rest = offset_s - days * DAY_S - hint_hours * 3600.0
            if abs(rest) < QUARTER_HOUR_S:
                return days, hint_hours, rest
    days = 0 if -12.2 * 3600 < offset_s < 14.2 * 3600 else round(offset_s / DAY_S)
    left = offset_s - days * DAY_S
    whole = round(left / 3600.0)
    if abs(left - whole * 3600.0) <= 600.0:
        return days, float(whole), left - whole * 3600.0
    quarters = round(left / QUARTER_HOUR_S)
    return days, quarters / 4.0, left - quarters * QUARTER_HOUR_S
