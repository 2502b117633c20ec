"""Times of frames between crescents where a clock was set: what they show, and their order."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import EDGE_S

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Texts = NDArray[np.object_]

SLACK_S = 1.0  # beyond the reading's step, by which one frame may seem to begin in another
WRONG_PHASE = 8.0  # minus log-probability that a frame shows something else than it seems to
BACKWARDS = 60.0  # minus log-probability of a frame before the one that was taken before it
SECOND_SETTING = 6.0  # minus log-probability of two settings where one is known
BEADS_REACH_S = 120.0  # from a contact, within which a filter is off and the Sun still shows
MOST_PLACES = 40  # that are tried for a setting
IMPROBABLE = 1e-3  # posterior weight below which another place of a setting counts for nothing
FARTHEST_SIGMA = 4.0  # of the stated error, that no place with more weight is away
UNBOUNDED_S = 7200.0


@dataclass(frozen=True)
class Run:
    """N frames of one camera in order of taking.

    Attributes
    ----------
    reading_s, resolution_s, exposure_s : ndarray
        As in `Readings`.
    phase : ndarray of str
        By content.
    """

    reading_s: Floats
    resolution_s: Floats
    exposure_s: Floats
    phase: Texts

    def of(self, rows: slice) -> Run:
        """Return some of the frames."""
        return Run(
            self.reading_s[rows], self.resolution_s[rows], self.exposure_s[rows], self.phase[rows]
        )


def windows(run: Run, totality_s: tuple[float, float] | None) -> tuple[Floats, Floats]:
    """Return the least and greatest time of begin that frames allow by what they show, seconds.

    Parameters
    ----------
    run : Run
    totality_s : tuple of float or None
        When the photosphere vanishes and returns, seconds from the epoch.
    """
    n = run.phase.size
    low, high = np.full(n, -np.inf), np.full(n, np.inf)
    if totality_s is None:
        return low, high
    second, third = totality_s
    dark = run.phase == "totality"
    low[dark], high[dark] = second - EDGE_S, third + EDGE_S
    beads = run.phase == "contact"
    low[beads], high[beads] = second - BEADS_REACH_S, third + BEADS_REACH_S
    if dark.any():
        at = np.arange(n)
        high[beads & (at < at[dark].min())] = second + EDGE_S
        low[beads & (at > at[dark].max())] = third - EDGE_S
    return low - run.exposure_s, high


def times_between(
    run: Run,
    before_s: Floats,
    after_s: Floats,
    totality_s: tuple[float, float] | None,
    low: Floats,
    high: Floats,
) -> tuple[Floats, Floats]:
    """Return times of frames between two that are dated, and what is open about each.

    Parameters
    ----------
    run : Run
        N frames; the first and the last are the dated ones, or the first or last of all.
    before_s, after_s : ndarray, shape (N,)
        Begin of each exposure, seconds from the epoch, by the clock before the setting and after.
    totality_s : tuple of float or None
    low, high : ndarray, shape (N,)
        `windows` of the frames.

    Returns
    -------
    t, sigma : ndarray, shape (N,)
        ``sigma`` is that of the setting's place alone.

    Notes
    -----
    Each place of the setting is weighed by three things: no frame begins before the one taken
    before it has ended; what a frame shows; and pauses, long ones being rarer than short ones. If
    no place will do, two settings are tried, between which the clock is only bounded.
    """
    pause = _pause(run, before_s)
    ways = list(_one_setting(before_s, after_s))
    scores = np.array([_score(run, t, low, high, pause) for t, _ in ways])
    if scores.max() < -WRONG_PHASE * 2:
        more = list(_two_settings(run, before_s, after_s, low, high))
        ways += more
        scores = np.append(
            scores, [_score(run, t, low, high, pause) - SECOND_SETTING for t, _ in more]
        )
    weight = np.exp(scores - scores.max())
    weight /= weight.sum()
    t = np.array([w for w, _ in ways])
    spread = np.array([s for _, s in ways])
    mean = weight @ t
    variance = weight @ ((t - mean) ** 2 + spread**2)
    likely = weight > IMPROBABLE
    # A place that is only unlikely must not lie beyond the stated error.
    far = np.max(np.abs(t[likely] - mean) + np.sqrt(3.0) * spread[likely], axis=0)
    return mean, np.maximum(np.sqrt(variance), far / FARTHEST_SIGMA)


def contradicted(run: Run, t: Floats, low: Floats, high: Floats) -> bool:
    """Whether times contradict the order of taking, or what several frames show."""
    pause = _pause(run, t)
    return _score(run, t, low, high, pause, pauses=False) < -WRONG_PHASE * 2


def _pause(run: Run, t: Floats) -> float:
    gaps = np.diff(t) - run.exposure_s[:-1]
    gaps = gaps[gaps > 0]
    return float(np.clip(np.median(gaps), 0.5, 60.0)) if gaps.size else 1.0


def _score(
    run: Run, t: Floats, low: Floats, high: Floats, pause: float, *, pauses: bool = True
) -> float:
    """Return the log-probability of times, up to a constant."""
    gap = np.diff(t) - run.exposure_s[:-1]
    room = SLACK_S + run.resolution_s[1:]
    behind = np.maximum(-gap - room, 0.0)
    total = -float(np.minimum(behind * 5.0, BACKWARDS).sum())
    if pauses:
        total -= float(2.0 * np.log1p(np.maximum(gap, 0.0) / pause).sum())
    outside = np.maximum(np.maximum(low - t, t - high), 0.0)
    return total - float(np.minimum(outside / 2.0, WRONG_PHASE).sum())


def _one_setting(before_s: Floats, after_s: Floats) -> Iterator[tuple[Floats, Floats]]:
    at = np.arange(before_s.size)
    for k in range(1, before_s.size):
        yield np.where(at < k, before_s, after_s), np.zeros(at.size)


def _two_settings(
    run: Run, before_s: Floats, after_s: Floats, low: Floats, high: Floats
) -> Iterator[tuple[Floats, Floats]]:
    """Yield times with a piece in between whose clock only order and phases bound."""
    n = before_s.size
    at = np.arange(n)
    places = _odd_places(run, before_s)
    ends = before_s + run.exposure_s
    for i, k in enumerate(places):
        for m in [*places[i + 1 :], n]:
            inner = slice(k, m)
            # By how much later than by the first clock the piece may lie.
            least = np.max(low[inner] - before_s[inner])
            most = np.min(high[inner] - before_s[inner])
            least = max(least, ends[k - 1] - before_s[k])
            most = min(most, after_s[m] - ends[m - 1]) if m < n else most
            least = max(least, -UNBOUNDED_S)
            most = min(most, max(least, 0.0) + UNBOUNDED_S)
            room = SLACK_S + float(run.resolution_s[k])
            if most < least - 2 * room:
                continue
            middle, width = 0.5 * (least + most), max(most - least, 0.0) + room
            t = np.where(at < k, before_s, np.where(at < m, before_s + middle, after_s))
            yield t, np.where((at >= k) & (at < m), width / np.sqrt(12.0), 0.0)


def _odd_places(run: Run, t: Floats) -> list[int]:
    """Return the frames before which a setting is likeliest: steps back, and long pauses."""
    gap = np.diff(t) - run.exposure_s[:-1]
    odd = np.where(gap < -SLACK_S - run.resolution_s[1:], np.inf, np.abs(gap))
    chosen = np.argsort(-odd, kind="stable")[:MOST_PLACES] + 1
    return [int(k) for k in np.sort(chosen)]


def times_by_order(low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Return times of frames that only order and phases bound, and their standard errors.

    Parameters
    ----------
    low, high : ndarray, shape (N,)
        What each frame allows, seconds, in order of taking; infinite where it says nothing.

    Returns
    -------
    t, sigma : ndarray, shape (N,)
        NaN where one side is open.
    """
    least = np.maximum.accumulate(low)
    most = np.minimum.accumulate(high[::-1])[::-1]
    known = np.isfinite(least) & np.isfinite(most)
    t, width = np.full(low.size, np.nan), np.full(low.size, np.nan)
    t[known] = 0.5 * (least[known] + most[known])
    width[known] = np.abs(most[known] - least[known])
    return t, np.maximum(width / np.sqrt(12.0), SLACK_S)
