"""A camera's clock from instants that are known otherwise: GPS tags and photographed clocks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from limbward.clock.crescent_model import DRIFT_PRIOR
from limbward.clock.crescent_posterior import SEED, log_direct
from limbward.clock.evidence import Direct, TotalityEvidence
from limbward.clock.posterior import sample_posterior
from limbward.clock.solution import ClockSolution, two_clocks

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

AGREE_SIGMA = 4.0
BAD_DRIFT = 5.0  # s/h, by which two instants of one clock may differ besides
PLAUSIBLE_S = 15 * 3600.0  # zones and a clock's error; beyond it the date is wrong, too


def solve_direct(d: Direct, covered: TotalityEvidence | None = None) -> ClockSolution:
    """Return offset and drift from instants known directly, each taken as the interval it is.

    Parameters
    ----------
    d : Direct
        One instant or more, finite.
    covered : TotalityEvidence, optional
        Decides between two clocks that have as many instants each.

    Notes
    -----
    The clock is that of the most instants that agree with each other. As many on another's side
    leave two clocks: totality decides, then whether the date would be wrong, too; if neither does,
    the earlier instant's is taken with an error as wide as they are apart.
    """
    raw = d.reading_s + 0.5 * d.resolution_s - d.since_greatest_s
    agrees = _largest(d, raw, np.ones(raw.size, bool))
    others = _largest(d, raw, ~agrees) if not agrees.all() else np.zeros(raw.size, bool)
    warnings = []
    apart = 0.0
    if others.any():
        first, second = float(np.median(raw[agrees])), float(np.median(raw[others]))
        tied = agrees.sum() == others.sum()
        if tied and _prefer(second, first, covered):
            agrees, others, first, second = others, agrees, second, first
        decided = not tied or _prefer(first, second, covered)
        start = f"The references ({int(agrees.sum())} against {int(others.sum())}) allow"
        end = "it has more of them, or fits what else is known" if decided else None
        warnings.append(two_clocks(start, first, second, end))
        apart = 0.0 if decided else abs(first - second)
    mean, covariance = _posterior(d.of(agrees), raw[agrees])
    covariance = covariance + np.diag([apart**2, 0.0])
    return ClockSolution(float(mean[0]), float(mean[1]), covariance, ("direct",), tuple(warnings))


def _largest(d: Direct, raw: Floats, among: Mask) -> Mask:
    """Return which instants agree with the one that most agree with."""
    sigma = np.hypot(d.sigma_s, d.coarseness_s)
    best, most = np.zeros(raw.size, bool), 0
    # One instant after the other: a square of thousands of GPS tags would take gigabytes.
    for i in np.flatnonzero(among):
        room = AGREE_SIGMA * np.hypot(sigma, sigma[i])
        room = room + BAD_DRIFT * np.abs(d.since_greatest_s - d.since_greatest_s[i]) / 3600.0
        agree = among & (np.abs(raw - raw[i]) <= room)
        if agree.sum() > most:
            best, most = agree, int(agree.sum())
            if most == among.sum():
                break
    return best


def _prefer(first: float, second: float, covered: TotalityEvidence | None) -> bool:
    """Whether what else is known speaks for the first of two offsets."""
    if covered is not None:
        low, high, _ = covered.bounds_s()
        fits = [low - 1.0 <= offset <= high + 1.0 for offset in (first, second)]
        if fits[0] != fits[1]:
            return fits[0]
    return abs(first) < PLAUSIBLE_S <= abs(second)


def _posterior(d: Direct, raw: Floats) -> tuple[Floats, Floats]:
    """Return mean and covariance of offset and drift."""
    # About their middle offset and drift are nearly independent, however far from the eclipse the
    # instants lie.
    base = float(np.median(raw))
    centre = float(np.mean(d.since_greatest_s)) / 3600.0
    hours = d.since_greatest_s / 3600.0 - centre
    left = raw - base
    spread = max(1.4826 * float(np.median(np.abs(left))), float(np.median(d.coarseness_s)), 0.1)

    def log_density(points: Floats) -> Floats:
        miss = left - points[:, :1] - points[:, 1:2] * hours
        return np.asarray(log_direct(d, miss).sum(axis=1) - 0.5 * (points[:, 1] / DRIFT_PRIOR) ** 2)

    lever = max(float(np.std(hours)), spread / DRIFT_PRIOR)
    start = np.diag([spread**2, min((spread / lever) ** 2, DRIFT_PRIOR**2)])
    mean, covariance, _ = sample_posterior(
        log_density, np.zeros(2), start, np.random.default_rng(SEED)
    )
    shift = np.array([[1.0, -centre], [0.0, 1.0]])
    return shift @ mean + [base, 0.0], shift @ covariance @ shift.T
