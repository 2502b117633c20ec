"""Which offset of a camera's clock most of its crescents agree on, whatever the others show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from limbward.clock.evidence import Crescents
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# A frame whose separation disagrees by more than this with an offset is no vote for it; the drift
# of a bad clock over a session stays well below it.
CONSENSUS_S = 30.0
LEAST_FRAMES, LEAST_SHARE = 3, 0.3  # that must agree for a clock to be believed
RIVAL_SHARE = 0.6  # of the best offset's votes; with fewer, another offset is not tried
MOST_RIVALS = 3
TRIED = 40  # candidates with the most votes that are compared by how near their voters are
OUTSIDE = 1.05  # separation over the sum of the radii, above which nothing is eclipsed


@dataclass(frozen=True)
class Consensus:
    """An offset, who votes for it, and a second offset of the frames ``later`` if there is one."""

    offset_s: float
    step_s: float
    later: Mask
    voters: Mask


def enough(frames: int, of: int) -> bool:
    """Whether so many frames that agree are enough to believe a clock."""
    return frames >= max(LEAST_FRAMES, LEAST_SHARE * of)


def consensus(track: SkyTrack, c: Crescents) -> list[Consensus]:
    """Return the offsets that many crescents agree on by separation, the best first.

    Parameters
    ----------
    track : SkyTrack
    c : Crescents
        Finite.

    Returns
    -------
    list of Consensus
        Empty if no three, or no three in ten, agree. Frames taken within a minute or so may agree
        on two instants, before and after greatest eclipse; both are returned then.

    Notes
    -----
    A separation needs no orientation and no more of the scale than the Sun's size tells: it fits
    two instants, and so two offsets. The offset within reach of which most frames have one of
    theirs wins, so that frames of something else do not pull it, however far off they are.
    """
    votes = _Votes.of(track, c)
    everyone = votes.eclipsed
    found: list[Consensus] = []
    taken: list[float] = []
    best = 0
    for _ in range(1 + MOST_RIVALS):
        chosen = votes.best(everyone, taken)
        if chosen is None:
            break
        offset, voters = chosen
        count = int(voters.sum())
        best = max(best, count)
        if not enough(count, c.order.size) or count < RIVAL_SHARE * best:
            break
        taken.append(offset)
        found.append(_with_second(votes, c, offset, voters))
    return found


@dataclass(frozen=True)
class _Votes:
    before: Floats  # offset if the frame was taken before greatest eclipse
    after: Floats
    eclipsed: Mask

    @staticmethod
    def of(track: SkyTrack, c: Crescents) -> _Votes:
        t = np.arange(track.first_s, track.last_s, 2.0)
        separation = np.hypot(*track.offset_arcsec(t).T)
        middle = int(np.argmin(separation))
        sun = track.sun_radius_arcsec(t[middle : middle + 1])
        touching = float((sun + track.moon_radius_arcsec(t[middle : middle + 1]))[0])
        seen = np.hypot(c.dx, c.dy) * float(np.median(sun / c.sun_radius_px))
        reading = c.reading_s + 0.5 * c.resolution_s + 0.5 * c.exposure_s
        # The separation falls, then rises; a run that is not monotonic far from the eclipse would
        # make np.interp pick any of its instants.
        falling = np.maximum.accumulate(separation[middle::-1])
        rising = np.maximum.accumulate(separation[middle:])
        return _Votes(
            reading - np.interp(seen, falling, t[middle::-1]),
            reading - np.interp(seen, rising, t[middle:]),
            seen < OUTSIDE * touching,
        )

    def best(self, among: Mask, taken: list[float]) -> tuple[float, Mask] | None:
        """Return the offset with the most votes that is none of those taken, and its voters."""
        before, after = self.before[among], self.after[among]
        low, high = np.minimum(before, after), np.maximum(before, after)
        candidates = np.concatenate([before, after])
        for other in taken:
            candidates = candidates[np.abs(candidates - other) > 2 * CONSENSUS_S]
        if not candidates.size:
            return None

        def within(starts: Floats, ends: Floats) -> NDArray[np.int64]:
            started = np.searchsorted(np.sort(starts), candidates, side="right")
            return np.asarray(started - np.searchsorted(np.sort(ends), candidates, side="left"))

        reach = CONSENSUS_S
        votes = within(low - reach, low + reach) + within(high - reach, high + reach)
        twice = high - low <= 2 * reach  # near greatest eclipse both instants may be within reach
        votes -= within(high[twice] - reach, low[twice] + reach)
        # Several candidates may have all votes: the one nearest to its voters is the best start.
        top = np.argsort(-votes, kind="stable")[:TRIED]
        top = top[votes[top] == votes[top[0]]]
        voters = [among & (self._miss(x) <= reach) for x in candidates[top]]
        spread = [
            float(self._miss(x)[v].mean()) for x, v in zip(candidates[top], voters, strict=True)
        ]
        k = int(np.argmin(spread))
        return float(candidates[top[k]]), voters[k]

    def _miss(self, offset: float) -> Floats:
        return np.minimum(np.abs(self.before - offset), np.abs(self.after - offset))


def _with_second(votes: _Votes, c: Crescents, offset: float, voters: Mask) -> Consensus:
    """Return the consensus with a second offset if the frames split into earlier and later ones."""
    plain = Consensus(offset, 0.0, np.zeros(voters.size, bool), voters)
    left = votes.eclipsed & ~voters
    if left.sum() < LEAST_FRAMES:
        return plain
    chosen = votes.best(left, [])
    if chosen is None:
        return plain
    second, others = chosen
    if others.sum() < max(LEAST_FRAMES, RIVAL_SHARE * left.sum()):
        return plain
    both = voters | others
    if c.order[voters].max() < c.order[others].min():
        return Consensus(offset, second - offset, c.order >= c.order[others].min(), both)
    if c.order[others].max() < c.order[voters].min():
        return Consensus(second, offset - second, c.order >= c.order[voters].min(), both)
    return plain
