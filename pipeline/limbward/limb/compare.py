"""How a camera's frames of totality lie to each other, by comparing them on the corona."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from limbward.geometry.disc import MeasuredDisc
from limbward.geometry.lens import STRAIGHT, Lens
from limbward.limb.adjust import Pairs, choose_pairs
from limbward.limb.corona import Crop, Detail, corona_detail
from limbward.limb.session import Session
from limbward.limb.shift import Shift, coarse_turn, register
from limbward.limb.small import SMALL_RADIUS, register_blobs

Floats = NDArray[np.float64]
# What is stored of the inner corona in the frame of a row; None where nothing is.
Crops = Callable[[int], Crop | None]

BLOBS_ALIKE = 0.7  # correlation of whole blobs; two that are pixels off have half of that at most
ALIKE = 0.3  # correlation of the streamers below which two frames are not taken to be registered
FURTHEST_SIGMA = 3.0  # of the limbs' errors: how far two frames may be from where limbs put them
TURNED_RADII = 0.05  # lunar radii: with limbs known worse a turn is not told from a shift
KEPT = 24  # frames' details held in memory; partners are within 14 frames
# Of the level beside what is clipped: above, a response may bend. Drowned frames of hard simulated
# sessions were put up to 0.9 px off if all below the clipping was compared.
BENT = 0.8
PARTNERS = 5  # frames of the nearest exposures that one without a limb is compared with
# Times its formal error that such a pair is off: what is left of cloud, a sky that turns over and
# the lens's reflection changes the outer corona as a shift does (hard simulated sessions: 2 to 4).
FAR_OUT = 3.0


@dataclass(frozen=True)
class Comparison:
    """A pair of frames (rows of the frame table) and what registering them gave."""

    first: int
    second: int
    shift: Shift
    turn_deg: float


def compare(
    crops: Crops,
    s: Session,
    sun_x: Floats,
    sun_y: Floats,
    turn_deg: Floats,
    advance: Callable[[], None],
    lens: Lens = STRAIGHT,
    loose: NDArray[np.bool_] | None = None,
    bright: NDArray[np.bool_] | None = None,
) -> list[Comparison]:
    """Register each frame with a few of the frames after it.

    Parameters
    ----------
    crops : callable
        Takes a row of the frame table, returns its `Crop` or None.
    s : Session
        Its Moons as drawn without distortion.
    sun_x, sun_y : ndarray, shape (N,)
        Assumed centres of the Sun, as drawn without distortion.
    turn_deg : ndarray, shape (N,)
        How far each picture is assumed to be turned, from x towards y.
    advance : callable
        Called once a frame.
    lens : Lens
    loose : ndarray of bool, optional
        Rows of the frame table without a limb to go by, such as those whose inner corona is all
        clipped (`limbward.limb.drowned`). They are compared with the others, not with each other.
    bright : ndarray of bool, optional
        Rows of the frame table that show the photosphere: its beads and their glare move along the
        limb, by pixels from one frame to the next, and are registered instead of the corona.
    """
    far, out = (np.zeros(s.rows.size, bool) if a is None else a[s.rows] for a in (loose, bright))

    @lru_cache(maxsize=KEPT)
    def detail(i: int) -> Detail | None:
        return detail_of(crops, s, i, lens)

    @lru_cache(maxsize=KEPT)
    def crop(i: int) -> Crop | None:
        return crops(int(s.rows[i]))

    found = []
    last = -1
    for i, j in _chosen(s, far, out):
        if i != last:
            advance()
            last = i
        suns = (float(sun_x[i]), float(sun_y[i])), (float(sun_x[j]), float(sun_y[j]))
        turn = float(turn_deg[i] - turn_deg[j])
        one, other = crop(i), crop(j)
        if one is None or other is None:
            continue
        if s.moon_radius[i] < SMALL_RADIUS * one.scale:
            shift = register_blobs(one, other, *suns, turn_deg=turn)
            if shift is not None and shift.correlation >= BLOBS_ALIKE:
                found.append(Comparison(i, j, shift, turn))
            continue
        first, second = detail(i), detail(j)
        if first is None or second is None:
            continue
        unsure = float(np.hypot(s.moon_sigma[i], s.moon_sigma[j]))
        turned = unsure < TURNED_RADII * s.moon_radius[i]
        furthest = FURTHEST_SIGMA * unsure
        shift = register(
            first, second, *suns, turn_deg=turn, with_turn=turned, furthest_px=furthest, lens=lens
        )
        if turned and (shift is None or shift.correlation < ALIKE):
            # Perhaps the camera was turned, or went over the meridian.
            turn, clear = coarse_turn(first, second, *suns)
            if clear > ALIKE:
                shift = register(
                    first, second, *suns, turn_deg=turn, furthest_px=furthest, lens=lens
                )
        if shift is not None and shift.correlation >= ALIKE:
            if far[j]:
                shift = replace(shift, sigma_px=FAR_OUT * shift.sigma_px)
            found.append(Comparison(i, j, shift, turn))
    return found


def _chosen(s: Session, far: NDArray[np.bool_], out: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return which frames to compare with which: loose ones (``far``) come second, none ``out``."""
    near = np.flatnonzero(~far & ~out)
    chosen = choose_pairs(s.time_s[near], s.exposure_s[near])
    pairs = [(int(near[i]), int(near[j])) for i, j in chosen]
    for j in np.flatnonzero(far & ~out):
        stops = np.abs(np.log2(s.exposure_s[near] / s.exposure_s[j]))
        pairs += [(int(i), int(j)) for i in near[np.argsort(stops, kind="stable")[:PARTNERS]]]
    return sorted(pairs, key=lambda pair: s.time_s[pair[0]])


def detail_of(crops: Crops, s: Session, i: int, lens: Lens = STRAIGHT) -> Detail | None:
    """Return what frame ``i`` of a session can be registered by; None if nothing is stored of it.

    Parameters
    ----------
    crops, s, lens
        As of `compare`.
    i : int
    """
    crop = crops(int(s.rows[i]))
    if crop is None:
        return None
    x, y, radius = lens.bent_disc(s.moon_x[i], s.moon_y[i], s.moon_radius[i])
    moon = MeasuredDisc(float(x), float(y), float(radius), 0.0)
    return corona_detail(crop, moon, highest=BENT * level_beside_clipped(crop))


def level_beside_clipped(crop: Crop) -> float:
    """Return how bright it is beside what is clipped, infinite where hardly anything is.

    Parameters
    ----------
    crop : Crop
    """
    # Hot pixels clip too, one by one.
    clipped = ndimage.binary_opening(~np.isfinite(crop.values))
    beside = ndimage.binary_dilation(clipped) & np.isfinite(crop.values)
    return float(np.percentile(crop.values[beside], 90)) if beside.any() else np.inf


def pairs_of(comparisons: list[Comparison], sun_x: Floats, sun_y: Floats) -> Pairs:
    """Return the comparisons as differences of Sun centres."""
    first = np.array([c.first for c in comparisons], dtype=np.int64)
    second = np.array([c.second for c in comparisons], dtype=np.int64)
    dx = np.array([c.shift.dx for c in comparisons], dtype=float)
    dy = np.array([c.shift.dy for c in comparisons], dtype=float)
    return Pairs(
        first,
        second,
        dx + sun_x[first] - sun_x[second],
        dy + sun_y[first] - sun_y[second],
        np.array([c.shift.sigma_px for c in comparisons], dtype=float),
    )


def turns_of(comparisons: list[Comparison], n: int) -> tuple[Floats, Floats]:
    """Return by how much each picture is turned (from x towards y), and the standard errors.

    Frames that no pair ties to the others are NaN. The mean of all is arbitrary and set to 0.
    """
    design, right, tied = [], [], np.zeros(n, bool)
    for c in comparisons:
        if not np.isfinite(c.turn_deg + c.shift.turn_deg + c.shift.sigma_deg):
            continue
        row = np.zeros(n)
        weight = 1.0 / max(c.shift.sigma_deg, 1e-3)
        row[c.first], row[c.second] = weight, -weight
        design.append(row)
        right.append((c.turn_deg + c.shift.turn_deg) * weight)
        tied[[c.first, c.second]] = True
    if not design:
        return np.full(n, np.nan), np.full(n, np.nan)
    matrix = np.array(design)[:, tied]
    normal = matrix.T @ matrix
    inverse = np.linalg.pinv(normal, hermitian=True)
    value, sigma = np.full(n, np.nan), np.full(n, np.nan)
    value[tied] = inverse @ (matrix.T @ np.array(right))
    sigma[tied] = np.sqrt(np.diag(inverse))
    return value, sigma
