"""Beads as a clock: frames near second and third contact, dated by the Moon's real limb."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from limbward.clock.bead_choice import Rims, at_one_contact, lit, near_contacts, short_frames
from limbward.clock.bead_fit import (
    FLOOR_S,
    BeadFrames,
    Fit,
    Turned,
    best_of,
    frame_dates,
    refined,
)
from limbward.clock.bead_light import Edges
from limbward.clock.bead_match import BRIGHTNESS, FADES, SPREADS, Optics, Spread
from limbward.clock.readings import Body, Readings
from limbward.clock.solution import ClockSolution
from limbward.sky.aside import turned_aside
from limbward.sky.track import SkyTrack

Floats = NDArray[np.float64]

# Seconds of offset that are looked at either way. Of a clock known worse the frames that show
# photosphere tell that one contact is among them.
LEAST_HALF_S, MOST_HALF_S, ANEW_HALF_S = 4.0, 20.0, 20.0
FREELY = Optics(Spread(4.0, 3e-4))
SPREAD_HALF_S = 3.0
LEVELS_AROUND = (-0.25, 0.0, 0.25)  # of the logarithm of the brightness
# How much better than any other Moon the real one has to fit: in the logarithm of the likelihood,
# and of what the best of the others leaves unexplained. On painted pictures the real limb explains
# 60 to 85 % of that, an invented one up to 7 %, or less than others.
MARGIN, MARGIN_SHARE = 15.0, 0.3
OTHERS_DEG = tuple(range(30, 360, 30))
WEIGHED = 6.0  # of log-likelihood: spreads of light that are worse count for nothing
UP_SIGMA_DEG = 0.1  # by the Moon's centre, which light on one side pulls by half a pixel of 300
KNOWN_UP_DEG = 2.0  # what beads are allowed to differ by from an orientation that is known


@dataclass(frozen=True)
class Beads:
    """What beads tell of a camera's clock.

    Attributes
    ----------
    rows : ndarray of int, shape (N,)
        The frames.
    why_not : str
        Why the clock is not by them, or not by them as well; empty if it is.
    offset_s, sigma_s : float
        Reading less UTC, and its standard error but for the site's.
    hours : float
        From the epoch to the middle of the frames.
    up_deg, up_sigma_deg, mirrored, rotates
        How the camera was turned at the epoch, and whether its field turns with the zenith.
    better : float
        Log-likelihood over that of the best of other Moons.
    own_s, own_sigma_s : ndarray, shape (N,)
        When each exposure began by its own beads, seconds from the epoch; NaN where they tell
        nothing.
    """

    rows: NDArray[np.int64]
    why_not: str = ""
    offset_s: float = np.nan
    sigma_s: float = np.nan
    hours: float = 0.0
    up_deg: float = np.nan
    up_sigma_deg: float = UP_SIGMA_DEG
    mirrored: bool = False
    rotates: bool = False
    better: float = np.nan
    own_s: Floats = field(default_factory=lambda: np.zeros(0))
    own_sigma_s: Floats = field(default_factory=lambda: np.zeros(0))


def date_by_beads(
    edges: Edges,
    body: Body,
    readings: Readings,
    rims: Rims,
    solution: ClockSolution,
    totality_s: tuple[float, float],
    rotates: bool | None,
    iso: Floats,
    beside_px: Floats | None = None,
) -> Beads | None:
    """Date a camera's frames with beads.

    Parameters
    ----------
    edges : Edges
    body : Body
    readings : Readings
    rims : callable
    solution : ClockSolution
        What else tells of the clock: where to look, and how the camera was turned.
    totality_s : tuple of float
        C2 and C3 of a smooth limb, seconds from the epoch.
    rotates : bool or None
        Whether the field turns with the zenith; None tries both.
    iso : ndarray
        Of all frames that the readings are of; NaN where not known.
    beside_px : ndarray, shape (N, 2), optional
        From the middle of each of these frames to the Moon; see `suppositions`.

    Returns
    -------
    Beads or None
        None without any such frame.
    """
    if not solution.runs or solution.steps:
        return None
    rows, frames = short_frames(body, readings, rims, iso)
    if not lit(frames).any():
        return None
    half = max(4.0 * solution.offset_sigma_s, LEAST_HALF_S)
    middle = float(solution.offset_s)
    if half > MOST_HALF_S:
        middle = _found_anew(edges, frames, solution, totality_s, rotates)
        half = LEAST_HALF_S
    near = near_contacts(frames, middle, half, totality_s)
    rows, frames = rows[near], frames.of(near)
    if not lit(frames).any():
        return None
    beside = None if beside_px is None else beside_px[rows]
    ways = suppositions(edges.track, solution, rotates, frames.reading_s - middle, beside)
    fit = _best([best_of(edges, frames, way, FREELY, middle, half) for way in ways])
    like = next(w for w in ways if w.mirrored == fit.turned.mirrored)
    better, needed = _better(edges, frames, replace(fit, turned=like), middle, half)
    if not better > needed:
        why = (
            "the light around the Moon fits its real limb hardly better than other limbs, so they "
            "are not used"
        )
        return Beads(rows, why, better=better)
    found = _dated(edges, rows, frames, _alike(edges, frames, fit), better)
    if rotates is not None:
        return found
    # Whether the field turned from the epoch to the frames is hardly told by them.
    turned = float(np.mean(edges.track.turned(frames.reading_s - found.offset_s)))
    return replace(found, up_sigma_deg=float(np.hypot(UP_SIGMA_DEG, turned)))


def _best(fits: Sequence[Fit]) -> Fit:
    return max(fits, key=lambda f: f.log_likelihood)


def _found_anew(
    edges: Edges,
    frames: BeadFrames,
    solution: ClockSolution,
    totality_s: tuple[float, float],
    rotates: bool | None,
) -> float:
    """Return the offset of a clock of which nothing is known but that photosphere is seen."""
    frames = frames.of(at_one_contact(frames))
    middle = float(np.median(frames.reading_s))
    fits = []
    for contact in totality_s:
        ways = suppositions(edges.track, solution, rotates, np.full(frames.gain.size, contact))
        fits += [best_of(edges, frames, way, FREELY, middle - contact, ANEW_HALF_S) for way in ways]
    return _best(fits).offset_s


def _better(
    edges: Edges, frames: BeadFrames, fit: Fit, middle_s: float, half_s: float
) -> tuple[float, float]:
    """Return by how much the real limb fits better than the best of others, and what is needed.

    The others are as free as it was, but for the kind of picture.
    """
    others = [edges.smooth(), edges.reversed(), *(edges.turned(float(d)) for d in OTHERS_DEG)]
    best = max(
        best_of(o, frames, fit.turned, FREELY, middle_s, half_s).log_likelihood for o in others
    )
    return fit.log_likelihood - best, max(MARGIN, MARGIN_SHARE * abs(best))


def _alike(edges: Edges, frames: BeadFrames, fit: Fit) -> list[Fit]:
    """Return fits in which all frames come from one camera, of several kinds that fit well."""
    way = replace(fit.turned, up_deg=fit.up_deg, sigma_deg=KNOWN_UP_DEG)

    def tried(kinds: Sequence[Optics]) -> list[Fit]:
        return [best_of(edges, frames, way, o, fit.offset_s, SPREAD_HALF_S) for o in kinds]

    level = _best(tried([Optics(FREELY.spread, b) for b in BRIGHTNESS])).optics.brightness
    spread = _best(tried([Optics(s, level) for s in SPREADS])).optics.spread
    wings = [s for s in SPREADS if s.wings == spread.wings]
    found = []
    for fade in FADES:
        level = _best(tried([Optics(spread, b, fade) for b in BRIGHTNESS])).optics.brightness
        assert level is not None
        around = [level * float(np.exp(k)) for k in LEVELS_AROUND]
        found += tried([Optics(s, b, fade) for s in wings for b in around])
    return found


def _dated(
    edges: Edges,
    rows: NDArray[np.int64],
    frames: BeadFrames,
    fits: Sequence[Fit],
    better: float,
) -> Beads:
    """Return the clock by beads that fit, the mean over how their light may be spread."""
    best = max(f.log_likelihood for f in fits)
    near = [refined(edges, frames, f) for f in fits if f.log_likelihood > best - WEIGHED]
    weight = np.exp(np.array([f.log_likelihood for f in near]) - best)
    weight /= weight.sum()
    offset = np.array([f.offset_s for f in near])
    mean = float(weight @ offset)
    variance = float(weight @ ((offset - mean) ** 2 + np.array([f.sigma_s for f in near]) ** 2))
    chosen = near[int(np.argmax(weight))]
    own, own_sigma = frame_dates(edges, frames, chosen)
    return Beads(
        rows,
        offset_s=mean,
        sigma_s=float(np.hypot(np.sqrt(variance), FLOOR_S)),
        hours=float(np.mean(frames.reading_s - mean)) / 3600.0,
        up_deg=chosen.up_deg,
        mirrored=chosen.turned.mirrored,
        rotates=bool(np.any(chosen.turned.turn_deg)),
        better=better,
        own_s=own,
        own_sigma_s=own_sigma,
    )


def suppositions(
    track: SkyTrack,
    solution: ClockSolution,
    rotates: bool | None,
    at: Floats,
    beside_px: Floats | None = None,
) -> list[Turned]:
    """Return how the camera may have been turned, given its frames' instants ``at`` (N,).

    ``beside_px`` (N, 2) is from the middle of each frame to the Sun: where a known field turns with
    the zenith, a Sun beside the middle shows the picture turned.
    """
    head = track.leaning(*solution.lean_deg)
    turning = head.turned(at)
    known = solution.orientation
    if known is not None:
        turn = turning if solution.rotates else np.zeros(at.size)
        if solution.rotates and beside_px is not None:
            turn = turn + np.nan_to_num(turned_aside(known, head, at, *beside_px.T))
        sigma = np.hypot(solution.up_sigma_deg, UP_SIGMA_DEG)
        return [Turned(known.up_position_angle, float(sigma), known.mirrored, turn)]
    turns = [turning * share for share in ((0.0, 1.0) if rotates is None else (float(rotates),))]
    if len(turns) == 2 and np.ptp(turning) < 0.2:  # a bin: no difference
        turns = turns[:1]
    return [Turned(0.0, np.inf, mirrored, turn) for turn in turns for mirrored in (False, True)]
