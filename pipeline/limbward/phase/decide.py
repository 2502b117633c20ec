"""The phase of every frame of a camera, by its picture, its neighbours, its light and its time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr  # scipy.stats takes a third of a second to import

from limbward.phase.evidence import PHASES, SENSIBLE, Evidence, Floats, Texts, Usual, usual_light
from limbward.phase.likelihood import DARK, terms
from limbward.phase.small import with_small_suns

OUTSIDE, INSIDE, AFTER = range(3)  # before, in and after totality
# How often frames of each kind are taken outside totality and in it.
TAKEN = np.log(
    np.array(
        [
            [0.50, 0.15, 0.01, 0.17, 0.07, 0.10],
            [0.005, 0.02, 0.94, 0.01, 0.005, 0.02],
            [0.50, 0.15, 0.01, 0.17, 0.07, 0.10],
        ]
    )
)
# From frame to frame totality begins and ends once. That it comes again stands for frames whose
# order is not that of taking.
NEXT = np.log(np.array([[0.98, 0.015, 0.005], [1e-5, 0.96999, 0.03], [1e-5, 1e-5, 0.99998]]))
FIRST = np.log(np.array([0.6, 0.2, 0.2]))
# A clock is right for many frames on end or wrong for many on end (it was set in between).
TRUST = np.log(np.array([[0.98, 0.02], [0.003, 0.997]]))  # wrong, right
AT_FIRST = np.log(np.array([0.03, 0.97]))
DOUBT = 1e-3  # of a single time, whatever sigma it states
# Valleys of the Moon, an arcsecond deep, move second and third contact by up to two seconds: it
# moves by half an arcsecond per second (360 degrees in a month of 29.5 days).
LIMB_S = 1.5
SURE, CONTRADICTED = 0.95, 0.02
BIAS_EXPOSURE_S = 1e-3
NEVER = (float("inf"), float("inf"))  # totality of an eclipse that is not total at the site


@dataclass(frozen=True)
class Timed:
    """When N frames were taken, and when the photosphere vanishes and returns; seconds.

    ``middle_s`` and ``sigma_s`` are NaN where not known; ``totality_s`` is `NEVER` where the
    photosphere stays in sight.
    """

    middle_s: Floats
    sigma_s: Floats
    totality_s: tuple[float, float]

    def of(self, rows: NDArray[np.int64]) -> Timed:
        """Return some of the frames."""
        return Timed(self.middle_s[rows], self.sigma_s[rows], self.totality_s)


@dataclass(frozen=True)
class Decided:
    """The phases of N frames.

    Attributes
    ----------
    phase : ndarray of str, shape (N,)
        One of ``PHASES`` or ``bias``.
    probability : ndarray, shape (N,)
    reason : ndarray of str, shape (N,)
        Why a frame is not what it looks like, or that a person says what it is; else empty.
    contradicted : bool
        Whether the clock puts most frames of totality outside it, and was not believed.
    """

    phase: Texts
    probability: Floats
    reason: Texts
    contradicted: bool = False


def decide(e: Evidence, timed: Timed | None = None) -> Decided:
    """Decide what the frames of one camera show.

    Parameters
    ----------
    e : Evidence
        In the order of taking.
    timed : Timed, optional
        Where the clock is known and the site sees totality.

    Returns
    -------
    Decided

    Notes
    -----
    A hidden Markov model with three states, before, in and after totality (Rabiner, Proc. IEEE 77,
    257, 1989): a frame's phase has a probability in each state, and fits what the frame shows more
    or less well. The clock adds how probable each state is at the frame's time,
    unless it is wrong there, which doubles the states.
    """
    n = e.looks.size
    if not n:
        return Decided(np.zeros(0, object), np.zeros(0), np.zeros(0, object))
    e = with_small_suns(e.sensible())
    usual = usual_light(e)
    own = terms(e, usual)
    if timed is not None and timed.totality_s == NEVER:
        # Around the Moon of a ring the Sun itself shines, behind a filter as well as without one.
        own["limb"][e.looks == "partial"] = 0.0
    fits = np.sum(list(own.values()), axis=0)
    for i, said in enumerate(e.said):
        kind = "dark" if said == "bias" else said
        if kind in PHASES:
            fits[i] = np.where(np.arange(len(PHASES)) == PHASES.index(kind), 0.0, -60.0)
    by_clock = np.zeros((n, 3))
    state = _states(fits, by_clock)
    contradicted = False
    clock_says = np.full(n, np.nan)
    if timed is not None:
        by_clock, contradicted = _by_clock(timed, fits, state)
        state = _states(fits, by_clock)
        if not contradicted:
            clock_says = np.where(by_clock.any(axis=1), np.exp(by_clock[:, INSIDE]), np.nan)
    by_state = logsumexp(state[:, :, None] + TAKEN[None], axis=1)
    total = fits + by_state
    probability = np.exp(total - logsumexp(total, axis=1, keepdims=True))
    best = np.argmax(total, axis=1)
    phase = np.array(PHASES, dtype=object)[best]
    _tell_biases(e, phase)
    sure = np.isin(e.said, (*PHASES, "bias"))
    phase[sure] = e.said[sure]
    reason = np.full(n, "", dtype=object)
    for row in np.flatnonzero((phase != e.looks) & ~sure):
        reason[row] = _reason(e, usual, own, by_state, clock_says, phase, int(row))
    return Decided(phase, probability[np.arange(n), best], reason, contradicted)


def _states(fits: Floats, by_clock: Floats) -> Floats:
    """Return the logarithms of the states' probabilities by all but each frame's own picture."""
    n = fits.shape[0]
    # Each state twice: with a clock that is wrong, and says nothing, and with one that is right.
    clock = np.stack([np.full_like(by_clock, -np.log(3.0)), by_clock], axis=2).reshape(n, 6)
    shows = np.repeat(logsumexp(fits[:, None, :] + TAKEN[None], axis=2), 2, axis=1) + clock
    following = (NEXT[:, None, :, None] + TRUST[None, :, None, :]).reshape(6, 6)
    ahead, behind = np.zeros((n, 6)), np.zeros((n, 6))
    ahead[0] = (FIRST[:, None] + AT_FIRST[None, :]).ravel()
    for k in range(1, n):
        ahead[k] = _log_sum((ahead[k - 1] + shows[k - 1])[:, None] + following, 0)
        ahead[k] -= ahead[k].max()
    for k in range(n - 2, -1, -1):
        behind[k] = _log_sum(following + (behind[k + 1] + shows[k + 1])[None, :], 1)
        behind[k] -= behind[k].max()
    state = logsumexp((ahead + behind + clock).reshape(n, 3, 2), axis=2)
    return np.asarray(state - logsumexp(state, axis=1, keepdims=True))


def _log_sum(values: Floats, axis: int) -> Floats:
    """Return what scipy's does, for small finite arrays and ten times as fast."""
    top = values.max(axis=axis, keepdims=True)
    return np.asarray(np.log(np.exp(values - top).sum(axis=axis)) + top.squeeze(axis))


def _by_clock(timed: Timed, fits: Floats, state: Floats) -> tuple[Floats, bool]:
    """Return how probable each state is at the frames' times, and whether that is contradicted."""
    second, third = timed.totality_s
    least, most = SENSIBLE["reading_s"]
    known = (timed.middle_s > least) & (timed.middle_s < most) & (np.abs(timed.sigma_s) < most)
    t = np.where(known, timed.middle_s, 0.0)
    sigma = np.hypot(np.where(known, timed.sigma_s, 0.0), LIMB_S)
    before, after = ndtr((second - t) / sigma), ndtr((t - third) / sigma)
    inside = np.clip(1.0 - before - after, 0.0, 1.0)
    found = np.log(np.clip(np.stack([before, inside, after], axis=1), DOUBT, 1.0))
    found[~known] = 0.0
    total = fits + logsumexp(state[:, :, None] + TAKEN[None], axis=1)
    sure = np.exp(total[:, PHASES.index("totality")] - logsumexp(total, axis=1)) > SURE
    sure &= known
    wrong = sure & (inside < CONTRADICTED)
    if 2 * wrong.sum() > sure.sum():
        return np.zeros_like(found), True
    return found, False


def _tell_biases(e: Evidence, phase: Texts) -> None:
    """Tell biases from the shortest darks of a series, in place.

    A black frame of the shortest exposures is a bias, unless frames with a picture have that
    exposure and longer darks stand next to it: then it is the dark of those.
    """
    dark = phase == "dark"
    short = dark & ((e.looks == "bias") | (e.exposure_s <= BIAS_EXPOSURE_S))
    short &= e.named != "dark"
    lit = e.gathered[np.isin(phase, ("totality", "contact", "partial"))]
    rows = np.flatnonzero(dark)
    for k, i in enumerate(rows):
        if not short[i] or e.named[i] == "bias":
            phase[i] = "bias" if short[i] else "dark"
            continue
        series = rows[max(k - 12, 0) : k + 13]
        longer = bool(np.any(~short[series] & (np.abs(series - i) <= 12)))
        taken = bool(np.any(np.abs(np.log(lit / e.gathered[i])) < 0.1))
        phase[i] = "dark" if longer and taken else "bias"


def _reason(
    e: Evidence,
    usual: Usual,
    own: dict[str, Floats],
    by_state: Floats,
    inside: Floats,
    phase: NDArray[np.object_],
    i: int,
) -> str:
    """Return the evidence that weighs most against what a frame looks like."""
    kind = phase[i]
    looks = "dark" if e.looks[i] == "bias" else e.looks[i]
    to = DARK if kind == "bias" else PHASES.index(kind)
    if looks not in PHASES or PHASES.index(looks) == to:
        return "it belongs to a series of darks" if kind == "dark" else ""
    away = PHASES.index(looks)
    weights = {name: float(term[i, to] - term[i, away]) for name, term in own.items()}
    weights["time"] = float(by_state[i, to] - by_state[i, away])
    strongest = max(weights, key=lambda name: weights[name])
    where = "in totality" if kind == "totality" else "outside totality"
    if kind == "totality" and e.black[i]:
        there = "by its time" if np.isfinite(inside[i]) else "by its neighbours"
        return f"black as through a solar filter, but {where} {there}; it is not used as a dark"
    if strongest == "limb":
        return (
            "one place at the Moon's limb outshines the whole corona"
            if kind == "contact"
            else "there is no light around the Moon"
            if kind == "partial"
            else "the corona shines all around the Moon"
        )
    if strongest == "time" and np.isfinite(inside[i]):
        return f"by its time it was taken {where}"
    words = {
        "time": f"its neighbours in the sequence were taken {where}",
        "filter": "no solar filter lets that much light through"
        if kind != "partial"
        else "it is no brighter than the Sun through a solar filter",
        "sky": "its sky is not that of totality",
        "name": "its name says so",
        "picture": "its exposure is too short to show more",
    }
    return words[strongest]
